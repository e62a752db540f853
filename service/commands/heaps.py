"""How many heaps the C library gives the threads of this process.

glibc gives each thread that finds the others' heaps busy one of its own, up to eight for each core, and none of them
gives back what lies between two things still in use. A server with threads then holds, for each heap, the most that
one page ever took: see DEVELOPERS.md, "An hour with random faults". Source: mallopt(3) of the Linux man-pages, M_ARENA_MAX.
"""

import contextlib
import ctypes
import os
import sys

HEAPS = 2
_M_ARENA_MAX = -8


def share_heaps(heaps: int = HEAPS) -> None:
    """Let all threads share so many heaps from now on. Whoever set MALLOC_ARENA_MAX has the last word.

    Changes nothing where the C library is not glibc.
    """
    if sys.platform == "linux" and "MALLOC_ARENA_MAX" not in os.environ:
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).mallopt(_M_ARENA_MAX, heaps)
