"""Processor time of a program, which unlike time by the clock hangs little on what else runs."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

ROUNDS = 3
TICK_S = 1.0 / os.sysconf("SC_CLK_TCK")


def of_command(words: Sequence[str], rounds: int = ROUNDS) -> float:
    """Processor time that a program takes from its start to its end, s: the least of some rounds.

    Other work can only make it more, since it empties the processor's caches.
    """
    return min(_once(words) for _ in range(rounds))


def of_python(code: str, rounds: int = ROUNDS) -> float:
    """Processor time of an interpreter that runs this code, s."""
    return of_command([sys.executable, "-c", code], rounds)


def of_benchd(words: Sequence[str], rounds: int = ROUNDS) -> float:
    """Processor time of a command of benchd, s."""
    return of_command([sys.executable, "-m", "benchd", *words], rounds)


def _once(words: Sequence[str]) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def so_far_s(process: int) -> float:
    """Processor time of a running process since its start, s, in steps of 10 ms."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) * TICK_S
