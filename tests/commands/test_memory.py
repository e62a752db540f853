"""How many heaps the threads of a process get, asked of the C library itself; and how often it looks for garbage."""

import gc
import os
import platform
import subprocess
import sys
from pathlib import Path

import pytest

from service.main import run

HEAPS_OF_BUSY_THREADS = """
import ctypes, sys, threading
from service.commands.memory import share_heaps

if sys.argv[1] == "shared":
    share_heaps()
c = ctypes.CDLL(None)
c.malloc.restype, c.malloc.argtypes, c.free.argtypes = ctypes.c_void_p, [ctypes.c_size_t], [ctypes.c_void_p]
all_here = threading.Barrier(12)

def take() -> None:
    all_here.wait()
    c.free(c.malloc(5000))
    all_here.wait()  # a thread that ended would leave its heap to the next

threads = [threading.Thread(target=take) for _ in range(12)]
for each in threads:
    each.start()
for each in threads:
    each.join()
c.fopen.restype, c.malloc_info.argtypes, c.fclose.argtypes = ctypes.c_void_p, [ctypes.c_int, ctypes.c_void_p], [ctypes.c_void_p]
out = c.fopen(b"/dev/stdout", b"w")
c.malloc_info(0, out)
c.fclose(out)
"""

needs_glibc = pytest.mark.skipif(
    platform.libc_ver()[0] != "glibc", reason="asks glibc how many heaps there are"
)


def heaps(how: str, **environ: str) -> int:
    """Return how many heaps a process with 12 threads at work had."""
    known = {name: value for name, value in os.environ.items() if name != "MALLOC_ARENA_MAX"}
    said = subprocess.run(
        [sys.executable, "-c", HEAPS_OF_BUSY_THREADS, how],
        env=known | environ,
        check=True,
        capture_output=True,
        text=True,
    )
    return said.stdout.count("<heap nr=")


@needs_glibc
def test_threads_share_two_heaps_and_would_have_more_by_themselves() -> None:
    assert heaps("shared") == 2
    assert heaps("as they are") > 2


@needs_glibc
def test_who_set_the_number_has_the_last_word() -> None:
    assert heaps("shared", MALLOC_ARENA_MAX="1") == 1


THRESHOLDS = """
import gc
from service.commands import serve

usual = gc.get_threshold()

def run_parts(parts: list[object]) -> int:
    print(usual, gc.get_threshold(), gc.get_freeze_count() > 100_000)
    return 0

opened = serve.parts_of

def parts_of(*given: object, **how: object) -> list[object]:
    print(gc.get_threshold()[0] > 10 * usual[0])
    return opened(*given, **how)

serve.run_parts, serve.parts_of = run_parts, parts_of
import sys
from service.main import run

sys.argv = ["linklag", "worker"]
run()
"""


def test_a_program_looks_for_garbage_seldom_while_it_starts_and_as_usual_at_work(tmp_path: Path) -> None:
    said = subprocess.run(
        [sys.executable, "-c", THRESHOLDS],
        env=os.environ | {"LINKLAG_STORE__FOLDER": str(tmp_path)},
        check=True,
        capture_output=True,
        text=True,
    )
    seldom, at_work = said.stdout.splitlines()
    usual = ", ".join(map(str, gc.get_threshold()))
    assert (seldom, at_work) == ("True", f"({usual}) ({usual}) True")


def test_a_command_leaves_the_thresholds_as_they_were(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    before = gc.get_threshold()
    monkeypatch.setattr(sys, "argv", ["linklag", "version"])
    with pytest.raises(SystemExit):
        run()
    assert gc.get_threshold() == before
    assert capsys.readouterr().out.startswith("linklag ")
