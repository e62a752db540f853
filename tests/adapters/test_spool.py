"""The spool in a file: durable, bounded, one process at a time, and never thrown away."""

import contextlib
import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from service.adapters import spool as module
from service.adapters.spool import FileSpool
from service.ingest import Message, SpoolError
from tests.conftest import needs

MB = 1_000_000
WRITES_UNTIL_KILLED = """
import sys
from pathlib import Path
from service.adapters.spool import FileSpool
from service.ingest import Message
spool = FileSpool(Path(sys.argv[1]), bytes_max=1 << 26)
spool.open()
number = 0
while True:
    spool.put([Message("t", b"%d" % each, None, each) for each in range(number, number + 10)], 1)
    number += 10
    print(number, flush=True)
"""


def messages(count: int, payload_bytes: int = 100, first: int = 0) -> list[Message]:
    return [Message("t", b"%09d" % (first + n) * (payload_bytes // 9), None, n) for n in range(count)]


def numbers(spool: FileSpool) -> list[int]:
    return [int(each.payload[:9]) for each in spool.oldest(100_000)]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "spools" / "worker.spool.db"


@pytest.fixture
def spool(file: Path) -> Iterator[FileSpool]:
    with FileSpool(file, bytes_max=4 * MB) as opened:
        yield opened


def test_what_an_earlier_process_left_is_there_at_the_next_start_and_is_told(file: Path) -> None:
    with FileSpool(file, bytes_max=MB) as spool:
        spool.put(messages(5), 7)
    with capture_logs() as logs, FileSpool(file, bytes_max=MB) as spool:
        assert numbers(spool) == [0, 1, 2, 3, 4]
        assert (spool.status().messages, spool.status().since_ns) == (5, 7)
        spool.put(messages(1, first=5), 8)
        assert numbers(spool)[-1] == 5
    assert [entry["messages"] for entry in logs if entry["event"] == "spool_left"] == [5]
    assert file.stat().st_mode & 0o077 == 0


def test_all_that_put_had_returned_for_is_there_after_a_kill(file: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", WRITES_UNTIL_KILLED, str(file)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        said = [int(process.stdout.readline()) for _ in range(30)]
        process.kill()
        said += [int(line) for line in process.stdout.read().split()]
    with FileSpool(file, bytes_max=1 << 26) as spool:
        found = [int(each.payload) for each in spool.oldest(100_000)]
    assert found == list(range(len(found)))
    assert len(found) >= said[-1]


def test_a_full_spool_takes_nothing_more_says_so_and_loses_nothing(spool: FileSpool) -> None:
    taken = fill(spool)
    with pytest.raises(SpoolError, match=r"it is full \(4 MB\).*raise worker.spool_mb"):
        spool.put(messages(20, 2400, taken), 1)
    assert 1000 < taken < 4 * MB // 2400
    assert spool.file.stat().st_size <= 4 * MB
    assert numbers(spool) == list(range(taken))
    assert "it is full" in spool.status().trouble
    spool.drop(spool.oldest(200))
    assert spool.status().trouble == ""
    spool.put(messages(20, 2400, taken), 1)
    assert numbers(spool) == list(range(200, taken + 20))


def fill(spool: FileSpool) -> int:
    taken = 0
    with contextlib.suppress(SpoolError):
        while True:
            spool.put(messages(20, 2400, taken), 1)
            taken += 20
    return taken


ON_A_SMALL_DISK = """
import sys
from pathlib import Path
from service.adapters.spool import FileSpool
from service.ingest import Message, SpoolError
folder = Path(sys.argv[1])
filler = folder / "filler"
with FileSpool(folder / "s", bytes_max=1 << 30) as spool:
    taken = 0
    def put():
        spool.put([Message("t", b"%d" % (taken + each) + b" " * 2400, None, each) for each in range(20)], 1)
    filler.write_bytes(bytes(2_000_000))
    try:
        while True:
            put()
            taken += 20
    except SpoolError as fault:
        print(fault)
    assert taken > 100
    spool.drop(spool.oldest(20))
    filler.unlink()
    put()
    taken += 20
    found = [int(each.payload) for each in spool.oldest(100_000)]
    assert found == list(range(20, taken)), found
"""


def test_on_a_full_disk_it_takes_nothing_more_and_goes_on_once_there_is_room(tmp_path: Path) -> None:
    """In a mount namespace of the test's own, on a disk of 4 MB."""
    maps = [] if os.geteuid() == 0 else ["--map-root-user"]
    script = f'mount -t tmpfs -o size=4m none {tmp_path} && exec "$@"'
    inside = ["sh", "-c", script, "sh", sys.executable, "-c", ON_A_SMALL_DISK, str(tmp_path)]
    command = [needs("unshare"), "--mount", "--propagation", "private", *maps, *inside]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=100)
    if "Operation not permitted" in done.stderr or "permission denied" in done.stderr:
        pytest.skip("no mount namespace may be made here: run as root, or allow user namespaces")
    assert done.returncode == 0, done.stderr
    assert "its disk is full; make room; nothing in it is lost" in done.stdout


def test_once_empty_it_gives_its_room_back(spool: FileSpool) -> None:
    spool.put(messages(1000, 2400), 1)
    spool.drop(spool.oldest(1000))
    assert spool.file.stat().st_size < 0.2 * MB
    assert spool.status().messages == 0


def test_a_second_worker_with_the_same_client_id_is_told(
    spool: FileSpool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "LOCK_WAIT_S", 0.1)
    with pytest.raises(SpoolError, match="a client id of its own"):
        FileSpool(spool.file, bytes_max=MB).open()
    spool.put(messages(1), 1)


def test_what_cannot_be_taken_out_is_left_out_and_goes_with_the_next(
    spool: FileSpool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a full disk: a deletion needs room too."""
    spool.put(messages(4), 1)

    def fails(self: FileSpool) -> None:
        del self
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(FileSpool, "_delete", fails)
        spool.drop(spool.oldest(2))
    assert numbers(spool) == [2, 3]
    assert spool.status().messages == 2
    spool.drop(spool.oldest(1))
    assert sqlite_count(spool) == 1


def sqlite_count(spool: FileSpool) -> int:
    return int(spool._open.execute("SELECT count(*) FROM message").fetchone()[0])


def test_a_file_removed_while_it_is_open_takes_nothing_more(spool: FileSpool) -> None:
    spool.put(messages(3), 1)
    spool.file.unlink()
    with pytest.raises(SpoolError, match="removed or replaced"):
        spool.put(messages(1), 1)
    assert numbers(spool) == [0, 1, 2]


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(SpoolError, match=r"worker\.spool_folder"):
        FileSpool(tmp_path / "file" / "spool.db", bytes_max=MB).open()


def test_a_file_of_a_newer_linklag_is_left_alone(file: Path) -> None:
    with FileSpool(file, bytes_max=MB) as spool:
        spool.put(messages(1), 1)
        spool._open.execute("PRAGMA user_version = 9")
    with pytest.raises(SpoolError, match="newer linklag"):
        FileSpool(file, bytes_max=MB).open()
    assert file.exists()


def test_a_bound_too_small_to_hold_anything_is_refused(file: Path) -> None:
    with pytest.raises(ValueError, match="bytes_max"):
        FileSpool(file, bytes_max=1000)


# Damage


def test_a_file_that_is_no_spool_is_set_aside_and_told(file: Path) -> None:
    file.parent.mkdir()
    file.write_bytes(b"no database at all" * 1000)
    with capture_logs() as logs, FileSpool(file, bytes_max=MB) as spool:
        (aside,) = spool.status().set_aside
        assert Path(aside).read_bytes() == b"no database at all" * 1000
        spool.put(messages(1), 1)
        assert numbers(spool) == [0]
    assert [entry["kept_as"] for entry in logs if entry["event"] == "spool_damaged"] == [aside]
    with FileSpool(file, bytes_max=MB) as spool:
        assert spool.status().set_aside == (aside,), "told until somebody takes it away"


def damage(file: Path, from_page: int, pages: int) -> None:
    page_bytes = module._PAGE_BYTES
    with file.open("r+b") as raw:
        raw.seek(from_page * page_bytes)
        raw.write(b"\xa5" * page_bytes * pages)


def test_what_can_be_read_of_a_damaged_file_goes_on_in_a_new_one(file: Path) -> None:
    with FileSpool(file, bytes_max=16 * MB) as spool:
        spool.put(messages(1000, 2400), 3)
    damage(file, 60, 3)
    with capture_logs() as logs, FileSpool(file, bytes_max=16 * MB) as spool:
        found = numbers(spool)
        assert 950 < len(found) < 1000
        assert found == sorted(set(found))
        assert (found[0], found[-1]) == (0, 999)
        assert all(
            each.payload == messages(1, 2400, n)[0].payload
            for each, n in zip(spool.oldest(2000), found, strict=True)
        )
        assert spool.status().messages == len(found)
    (entry,) = [entry for entry in logs if entry["event"] == "spool_damaged"]
    assert entry["messages_saved"] == len(found)


def test_damage_that_shows_as_something_is_dropped_leaves_the_count_right(
    spool: FileSpool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Counted as empty it would not be read any more, and what is in it would be passed by what the broker has."""
    spool.put(messages(4), 1)
    deletes, times = FileSpool._delete, iter([module._damaged("its pages contradict each other")])

    def shows(self: FileSpool) -> None:
        for fault in times:
            raise fault
        deletes(self)

    with monkeypatch.context() as patched:
        patched.setattr(FileSpool, "_delete", shows)
        spool.drop(spool.oldest(2))
    assert numbers(spool) == [2, 3]
    assert (spool.status().messages, spool.status().since_ns) == (2, 1)
    spool.drop(spool.oldest(2))
    assert (spool.status().messages, spool.status().bytes, sqlite_count(spool)) == (0, 0, 0)


def test_a_disk_that_is_full_as_it_is_opened_is_told(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(self: FileSpool) -> None:
        del self
        fault = sqlite3.OperationalError("database or disk is full")
        fault.sqlite_errorcode = sqlite3.SQLITE_FULL
        raise fault

    monkeypatch.setattr(FileSpool, "_refuse_other_form", fails)
    with pytest.raises(SpoolError, match="its disk is full; make room"):
        FileSpool(file, bytes_max=MB).open()


def test_damage_that_shows_while_it_is_open_loses_no_message_that_can_be_read(file: Path) -> None:
    with FileSpool(file, bytes_max=16 * MB) as spool:
        spool.put(messages(1000, 2400), 3)
    with FileSpool(file, bytes_max=16 * MB) as spool:
        damage(file, 100, 2)
        first = spool.oldest(50)
        spool.drop(first)
        found = []
        while some := spool.oldest(50):
            found += [int(each.payload[:9]) for each in some]
            spool.drop(some)
        assert found == sorted(set(found))
        assert (found[0], found[-1]) == (50, 999)
        assert len(found) > 900
        assert len(spool.status().set_aside) == 1
        assert spool.status().messages == 0
        spool.put(messages(1, first=1000), 4)
        assert numbers(spool) == [1000]
    with sqlite3.connect(file) as sound:
        assert sound.execute("PRAGMA quick_check").fetchone() == ("ok",)
    sound.close()
