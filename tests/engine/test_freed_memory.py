"""Freed memory is kept: seen by the pages that the system must clear for a process."""

from __future__ import annotations

import subprocess
import sys

import pytest

from benchd.engine.freed_memory import keep_freed_memory

_ARRAYS = """
import resource, sys
import numpy as np
from benchd.engine.freed_memory import keep_freed_memory
if sys.argv[1] == "kept":
    assert keep_freed_memory()
def work():
    for _ in range(8):
        arrays = [np.ones(40_000) for _ in range(8)]
work()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
work()
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


def _pages_cleared(how: str) -> int:
    ran = subprocess.run(
        [sys.executable, "-c", _ARRAYS, how], capture_output=True, text=True, check=True
    )
    return int(ran.stdout)


@pytest.mark.skipif(not keep_freed_memory(), reason="another allocator than glibc's")
def test_memory_that_was_freed_is_not_cleared_again() -> None:
    assert _pages_cleared("kept") < 0.1 * _pages_cleared("given back")
