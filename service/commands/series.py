"""Where readings are kept, by the settings: InfluxDB, or the database with all else.

What a person can mend is told as a `CommandError`.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING

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
