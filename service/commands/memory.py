"""How this process keeps house with its memory: heaps of the C library that its threads share, and what is no garbage.

glibc gives each thread that finds the others' heaps busy one of its own, up to eight for each core, and none of them
gives back what lies between two things still in use. A server with threads then holds, for each heap, the most that
one page ever took: see DEVELOPERS.md, "An hour with random faults". Source: mallopt(3) of the Linux man-pages, M_ARENA_MAX.
"""

import contextlib
import ctypes
import gc
import os
import sys
from collections.abc import Iterator

HEAPS = 2
_M_ARENA_MAX = -8


def share_heaps(heaps: int = HEAPS) -> None:
    """Let all threads share so many heaps from now on. Whoever set MALLOC_ARENA_MAX has the last word.

    Changes nothing where the C library is not glibc.
    """
    if sys.platform == "linux" and "MALLOC_ARENA_MAX" not in os.environ:
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).mallopt(_M_ARENA_MAX, heaps)


@contextlib.contextmanager
def all_of_it_stays() -> Iterator[None]:
    """Look for no garbage in what is loaded meanwhile: it stays to the end, and looking is a fifth of the start."""
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()
