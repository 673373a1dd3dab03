"""The process's memory, as glibc's malloc keeps it; elsewhere (musl) nothing happens."""

from __future__ import annotations

import ctypes
from contextlib import suppress

_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8  # malloc.h


def settle() -> None:
    """Have all threads share one pool, since each keeps what it had at its fullest, and have that keep 2 MB
    ready that are free: a forecast takes and leaves so much, and would wait for the machine each time."""
    with suppress(AttributeError, OSError):
        malloc = ctypes.CDLL(None)
        malloc.mallopt(_M_ARENA_MAX, 1)
        malloc.mallopt(_M_TRIM_THRESHOLD, 2 << 20)
        malloc.mallopt(_M_MMAP_THRESHOLD, 1 << 20)


def give_back() -> None:
    """Give what is free back to the machine."""
    with suppress(AttributeError, OSError):
        ctypes.CDLL(None).malloc_trim(0)
