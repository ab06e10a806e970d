"""Memory that was freed is kept for what comes next.

Reducing, and storing a long trace, make and free arrays of some hundred kilobytes over and over.
The allocator of most Linux systems (glibc) gives each of them back to the system at once and asks
for it anew, and the system clears every page of it again: a fifth of a reduction's time.
"""

from __future__ import annotations

import ctypes
import sys

KEPT_BYTES = 16 << 20
"""Freed memory that a process keeps at most, beyond what it uses."""
LARGE_BYTES = 4 << 20
"""A piece from this size on is still given back at once."""

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
"""Numbers of the two settings in the C library (mallopt(3), from memory)."""


def keep_freed_memory() -> bool:
    """Tell the allocator so, for this process. False where it is another allocator, which need not
    be told or cannot be."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        library = ctypes.CDLL(None)
        is_glibc = bool(library.gnu_get_libc_version)
    except (OSError, AttributeError):
        return False
    # It returns 1 where a setting was taken.
    settings = ((_MMAP_THRESHOLD, LARGE_BYTES), (_TRIM_THRESHOLD, KEPT_BYTES))
    return is_glibc and all(library.mallopt(*setting) == 1 for setting in settings)
