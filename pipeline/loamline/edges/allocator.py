"""How the C library hands out memory for NumPy's columns."""

from __future__ import annotations

import ctypes

#: glibc's mallopt parameters (malloc.h), and the most that it takes for the first.
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
_LARGEST_MMAP_THRESHOLD = 32 << 20
_KEPT_BYTES = 64 << 20


def keep_freed_memory() -> bool:
    """Have this process keep some freed memory for the next column; return whether the C library took the hint.

    By default glibc maps each block of some 100 kB anew and gives it back when freed, so that every column of a batch
    is paged in again: a quarter of the time of the chain. At most 64 MB stay unused for it. Elsewhere it does nothing.
    """
    try:
        set_option = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):
        return False
    return bool(set_option(_MMAP_THRESHOLD, _LARGEST_MMAP_THRESHOLD) and set_option(_TRIM_THRESHOLD, _KEPT_BYTES))
