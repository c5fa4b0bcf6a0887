"""Keeps a process that runs for months small: large pieces of memory go back to the system when they are done with.

By itself glibc keeps what a window's spectra needed (it learns to treat such sizes as small), and gives every thread
a heap of its own. Measured with ``tests/benchmarks/edge.py``; other C libraries have no such settings and need none.
"""

from __future__ import annotations

import ctypes
import os

# mallopt(3)
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8
LARGE_BYTES = 128 * 1024
GIVE_BACK_EVERY_S = 30.0


def stay_lean() -> bool:
    """Tell the C library to be thrifty; return whether it has understood. To be called before threads are started."""
    try:
        os.confstr("CS_GNU_LIBC_VERSION")  # fails where the C library is another one
        mallopt = ctypes.CDLL(None).mallopt
        return all(
            mallopt(ctypes.c_int(key), ctypes.c_int(value))
            for key, value in (
                (_M_ARENA_MAX, 1),
                (_M_MMAP_THRESHOLD, LARGE_BYTES),
                (_M_TRIM_THRESHOLD, LARGE_BYTES),
            )
        )
    except (OSError, ValueError, AttributeError):
        return False


def give_back() -> None:
    """Return to the system what the C library holds free between pieces that are in use (malloc_trim(3))."""
    try:
        ctypes.CDLL(None).malloc_trim(0)
    except (OSError, AttributeError):
        return
