"""Where readings are kept, by the settings: InfluxDB, or the database with all else.

What a person can mend is told as a `CommandError`.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING

import typer

from service.commands import CommandError
from service.settings import Settings

if TYPE_CHECKING:
    from service.adapters.database.connect import Series
    from service.adapters.influx.client import InfluxClient


@contextmanager
def influx_client(settings: Settings) -> Iterator["InfluxClient | None"]:
    """Give a client of the InfluxDB of the settings, which has asked nothing yet; None where they name none."""
    influx = settings.influx
    if not influx.url:
        yield None
        return
    from service.adapters.influx.client import InfluxClient

    try:
        client = InfluxClient(
            influx.url,
            org=influx.org,
            bucket=influx.bucket,
            token=influx.token.get_secret_value() if influx.token else "",
            ca_file=influx.tls_ca_file,
            timeout_s=influx.timeout_s,
        )
    except ValueError as error:
        raise CommandError(f"influx: {error}") from None
    try:
        yield client
    finally:
        client.close()


@contextmanager
def series_of(settings: Settings) -> Iterator["Series | None"]:
    """Give what makes the store of readings over its books in the database; None where readings are in the database too."""
    with influx_client(settings) as client:
        if client is None:
            yield None
            return
        from service.adapters.influx.readings import InfluxReadings

        yield partial(InfluxReadings, client)


def see_influx(settings: Settings) -> None:
    """Write to the InfluxDB of the settings and read it back, before what depends on it is begun."""
    from service.ports import StoreUnavailableError

    with influx_client(settings) as client:
        assert client is not None  # noqa: S101 - the settings name one
        try:
            client.check()
        except StoreUnavailableError as error:
            raise CommandError(f"{error}; nothing was moved") from None


def move_series(settings: Settings) -> str:
    """Move the readings that the database of the settings holds into their InfluxDB; return what went wrong, or nothing."""
    from service.adapters.influx.move import move_readings
    from service.adapters.influx.readings import InfluxReadings
    from service.commands.parts import opened_database
    from service.ports import ReadingsRefusedError, StoreUnavailableError

    lacking: list[str] = []
    try:
        with opened_database(settings) as database:
            assert isinstance(database.readings, InfluxReadings)  # noqa: S101 - the settings name one
            for drive in move_readings(database, database.readings, database.ledger):
                typer.echo(
                    f"{drive.drive_id:22}{drive.readings_found:12} of {drive.readings} readings, "
                    f"{drive.roll_ups_found} of {drive.roll_ups} roll-ups, read back the same"
                )
                lacking += [] if drive.whole else [drive.drive_id]
    except ReadingsRefusedError as error:
        return (
            f"{error}: give the bucket a retention that is as long as retention.raw_days, and run this again"
        )
    except StoreUnavailableError as error:
        return f"{error}; run this again then: what was moved is left as it is"
    return f"not all of {', '.join(lacking)} is there as it was: run this again" if lacking else ""
