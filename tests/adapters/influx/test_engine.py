"""What only a real InfluxDB shows: what it does to points, and what is there after it was killed."""

import signal
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from service.adapters.database.connect import Database, open_database
from service.adapters.influx.client import InfluxClient
from service.adapters.influx.readings import InfluxReadings
from service.core.reading import Reading
from service.ports import ReadingsRefusedError, Resolution, StoreUnavailableError
from tests.contracts.given import A_RAW_BATCH, DAY_NS, NOON_NS, S, _new_file, a_reading
from tests.influx import InfluxServer, an_empty_bucket

EVER = (0, 2**62)


@contextmanager
def opened(folder: Path, client: InfluxClient) -> Iterator[Database]:
    """A database whose readings are in the bucket of a client; the same again for the same folder."""
    path = folder / "linklag.db"
    if not path.exists():
        path.write_bytes(_new_file())
    database = open_database(f"sqlite:///{path}", series=lambda ledger: InfluxReadings(client, ledger))
    yield database
    database.close()


@pytest.fixture
def bucket() -> Iterator[InfluxClient]:
    with an_empty_bucket() as client:
        yield client


@pytest.fixture
def database(tmp_path: Path, bucket: InfluxClient) -> Iterator[Database]:
    with opened(tmp_path, bucket) as opened_one:
        yield opened_one


@pytest.fixture
def own_server() -> Iterator[InfluxServer]:
    """A server that the test may end as it likes."""
    with tempfile.TemporaryDirectory() as folder:
        server = InfluxServer(Path(folder))
        server.start()
        server.ask("CREATE DATABASE own")
        yield server
        server.stop()


def points(client: InfluxClient) -> int:
    """How many points there are, whatever they say."""
    found = client.query('SELECT COUNT("seq") FROM "reading" WHERE time > 0 AND time <= 9223372036854775806')
    return int(found[0].rows[0][1]) if found else 0


def test_a_server_that_is_fit_says_its_version(bucket: InfluxClient) -> None:
    assert isinstance(bucket.check(), str)


def test_the_same_points_again_are_the_same_points(bucket: InfluxClient, tmp_path: Path) -> None:
    """A crash before the books knew of them: all of them come again, in another order and other groups."""
    some = [a_reading(10 * n, 0.5 + n / 1000, seq=n) for n in range(1, 8)]
    twins = [replace(some[2], seq=100), replace(some[2], seq=101)]  # end at the same instant as another
    for name in ("before", "after"):
        (tmp_path / name).mkdir()
    with opened(tmp_path / "before", bucket) as before:
        assert before.readings.store([*some, *twins]) == 9
    assert points(bucket) == 9
    with opened(tmp_path / "after", bucket) as after:  # books that know nothing of it
        assert after.readings.newest() == []
        for part in ([twins[1], some[6]], [twins[0], *some[:3]], some[3:]):
            assert after.readings.store(part) == 0
        assert points(bucket) == 9
        assert len(after.readings.raw("press-3", *EVER)) == 9
        (newest,) = after.readings.newest()
        assert newest.reading == some[-1]
        while after.readings.roll_up():
            pass
        (day,) = after.readings.rolled("press-3", *EVER, Resolution.DAY)
        assert day.readings == 9


def test_a_crash_between_the_points_and_the_books_loses_and_doubles_nothing(
    database: Database, bucket: InfluxClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    some = [a_reading(10 * n, 0.5, seq=n) for n in range(1, 4)]
    database.readings.store(some[:1])

    def fails(*_: object) -> None:
        raise StoreUnavailableError("no room for the books")

    with monkeypatch.context() as broken:
        broken.setattr(database.ledger, "note_stored", fails)
        with pytest.raises(StoreUnavailableError, match="no room for the books"):
            database.store_all(some[1:], [A_RAW_BATCH])
    assert points(bucket) == 3
    newest = database.readings.newest_of("press-3")
    assert newest is not None
    assert newest.reading == some[0]
    database.store_all(some[1:], [A_RAW_BATCH])
    assert points(bucket) == 3
    newest = database.readings.newest_of("press-3")
    assert newest is not None
    assert newest.reading == some[2]
    assert database.raw_batches.raw("press-3", *EVER) == [A_RAW_BATCH]
    assert [each.from_ns for each in database.evaluations.due()] == [some[0].t_ns]


def test_live_data_are_stored_without_a_question(database: Database, bucket: InfluxClient) -> None:
    asked: list[str] = []
    query = bucket.query

    def listening(statement: str, **values: str | float) -> object:
        asked.append(statement)
        return query(statement, **values)

    bucket.query = listening  # type: ignore[method-assign,assignment]
    for n in range(1, 6):
        assert database.readings.store([a_reading(10 * n, 0.5, seq=n)]) == 1
    assert len(asked) == 1, "only the first time, after a start"
    assert database.readings.store([a_reading(50, 0.5, seq=5)]) == 0
    assert len(asked) == 2


def test_a_correction_is_a_point_of_its_own(database: Database, bucket: InfluxClient) -> None:
    """No reader hangs on which of two writes to one point won: 3.x does not promise that the later one does."""
    before, after = a_reading(10, 0.5, seq=1), a_reading(10, 0.7, seq=1)
    database.readings.store([before])
    database.readings.supersede([after], NOON_NS, "baseline corrected")
    assert points(bucket) == 2
    assert database.readings.raw("press-3", *EVER) == [after]


def test_a_correction_that_the_books_do_not_know_does_not_count(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, after = a_reading(10, 0.5, seq=1), a_reading(10, 0.7, seq=1)
    database.readings.store([before])

    def fails(*_: object, **__: object) -> None:
        raise StoreUnavailableError("no room for the books")

    with monkeypatch.context() as broken:
        broken.setattr(database.ledger, "note_superseded", fails)
        with pytest.raises(StoreUnavailableError):
            database.readings.supersede([after], NOON_NS, "baseline corrected")
    assert database.readings.raw("press-3", *EVER) == [before]
    assert database.readings.supersede([replace(after, elongation_pct=0.6)], NOON_NS, "again") == 1
    assert [each.elongation_pct for each in database.readings.raw("press-3", *EVER)] == [0.6]


def test_a_field_of_another_type_is_refused_with_the_words_of_the_server(
    database: Database, bucket: InfluxClient
) -> None:
    """Somebody else wrote whole numbers to our field on the same day: the bucket must be linklag's own."""
    assert bucket.write([f"reading,drive=other load_n=5i {NOON_NS}"]) == []
    with_load = a_reading(10, 0.5, seq=1)
    without = replace(a_reading(20, 0.5, seq=2), load_n=None)
    with pytest.raises(ReadingsRefusedError, match="field type conflict") as found:
        database.readings.store([with_load, without])
    assert [each.reading for each in found.value.refused] == [with_load]
    assert (found.value.new, found.value.refused[0].too_old) == (1, False)
    assert database.readings.raw("press-3", *EVER) == [without]


def test_what_is_older_than_the_server_keeps_is_refused_and_the_others_are_stored(
    own_server: InfluxServer, tmp_path: Path
) -> None:
    own_server.ask("CREATE DATABASE short WITH DURATION 3d REPLICATION 1 SHARD DURATION 1d NAME autogen")
    client = own_server.client("short")
    now_ns = int(Path(tmp_path).stat().st_mtime) * S
    old, new = (
        replace(a_reading(0, 0.5, seq=n), t_ns=t_ns, t0_ns=t_ns - S)
        for n, t_ns in enumerate((now_ns - 9 * DAY_NS, now_ns))
    )
    with opened(tmp_path, client) as database:
        with pytest.raises(ReadingsRefusedError, match="retention") as found:
            database.readings.store([old, new])
        assert [(each.reading, each.too_old) for each in found.value.refused] == [(old, True)]
        assert database.readings.raw("press-3", *EVER) == [new]


def test_what_was_stored_is_there_after_the_server_was_killed(
    own_server: InfluxServer, tmp_path: Path
) -> None:
    """A 2xx is on its disk; while it is away nothing is taken, and the same goes on as it comes back."""
    some: list[Reading] = [a_reading(10 * n, 0.5, seq=n) for n in range(1, 300)]
    with opened(tmp_path, own_server.client("own", timeout_s=2.0)) as database:
        assert database.readings.store(some[:200]) == 200
        own_server.stop(signal.SIGKILL)
        with pytest.raises(StoreUnavailableError, match="it cannot be reached"):
            database.readings.store(some[200:])
        with pytest.raises(StoreUnavailableError):
            database.readings.raw("press-3", *EVER)
        own_server.start()
        assert database.readings.store(some[200:]) == len(some) - 200
        assert database.readings.raw("press-3", *EVER) == some


def test_a_bucket_that_is_not_there_is_told(own_server: InfluxServer) -> None:
    client = own_server.client("elsewhere")
    with pytest.raises(StoreUnavailableError, match=r"make the bucket, or correct influx\.bucket"):
        client.check()


def test_more_is_read_than_one_page_holds_and_in_order(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Pages end within an instant, too: none is left out, none comes twice."""
    monkeypatch.setattr("service.adapters.influx.queries.PAGE", 7)
    some = [
        replace(a_reading(10 * n, 0.5, seq=n, window_s=4), device_id=device)
        for n in range(1, 40)
        for device in ("plc-1", "plc-2", "")
    ]
    database.readings.store(some)
    in_time = sorted(some, key=lambda each: (each.t_ns, each.t0_ns, each.seq, each.device_id))
    assert database.readings.raw("press-3", *EVER) == in_time
    assert database.readings.raw("press-3", *EVER, 50) == in_time[-50:]
    while database.readings.roll_up():
        pass
    (day,) = database.readings.rolled("press-3", *EVER, Resolution.DAY)
    assert day.readings == len(some)
    (means,) = database.readings.by_day("press-3", *EVER)
    assert means.readings == len(some)


def test_few_samples_of_much_are_asked_for_one_by_one(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    some = [a_reading(10 * n, 0.5 + n / 1e4, seq=n) for n in range(1, 200)]
    database.readings.store(some)
    asked = (NOON_NS, NOON_NS + 1000 * S, 100 * S, 2)
    all_at_once = database.readings.sampled("press-3", *asked)
    monkeypatch.setattr("service.adapters.influx.readings._ROWS_A_QUESTION", 0)
    assert database.readings.sampled("press-3", *asked) == all_at_once
    assert [each.seq for each in all_at_once] == [n for end in range(10, 101, 10) for n in (end - 1, end)]
