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

HEAPS = 2
_M_ARENA_MAX = -8
_USUAL = gc.get_threshold()
_WHILE_LOADING = 50_000  # objects more than before until somebody looks for garbage; Python's own 700 is an eighth of a start


def share_heaps(heaps: int = HEAPS) -> None:
    """Let all threads share so many heaps from now on. Whoever set MALLOC_ARENA_MAX has the last word.

    Changes nothing where the C library is not glibc.
    """
    if sys.platform == "linux" and "MALLOC_ARENA_MAX" not in os.environ:
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).mallopt(_M_ARENA_MAX, heaps)


def look_seldom() -> None:
    """Look for garbage seldom from now on: a program that starts makes next to none."""
    gc.set_threshold(_WHILE_LOADING, *_USUAL[1:])


def look_usually() -> None:
    """Look for garbage as often as Python does by itself."""
    gc.set_threshold(*_USUAL)


def all_is_loaded() -> None:
    """Look for garbage as usual from now on, but not in what is here already: it stays to the end."""
    gc.collect()
    gc.freeze()
    look_usually()
