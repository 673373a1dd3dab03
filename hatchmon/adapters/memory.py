"""The process's memory, as glibc's malloc keeps it; elsewhere (musl) nothing happens."""

from __future__ import annotations

import ctypes
from contextlib import suppress

_M_ARENA_MAX = -8  # malloc.h


def few_arenas(number: int = 1) -> None:
    """Have all threads share so many pools, each of which keeps what it had at its fullest."""
    with suppress(AttributeError, OSError):
        ctypes.CDLL(None).mallopt(_M_ARENA_MAX, number)


def give_back() -> None:
    """Give what is free back to the machine."""
    with suppress(AttributeError, OSError):
        ctypes.CDLL(None).malloc_trim(0)
