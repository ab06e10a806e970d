"""Where a job can stand, from the order to its end."""

from __future__ import annotations

from enum import StrEnum


class JobState(StrEnum):
    """Where a job stands."""

    WAITING = "waiting"
    RUNNING = "running"
    NEEDS_HANDS = "needs-hands"
    DONE = "done"
    FAILED = "failed"
    WITHDRAWN = "withdrawn"
    MISSED = "missed"


UNDER_WAY = (JobState.RUNNING, JobState.NEEDS_HANDS)
ENDED = frozenset(JobState) - {JobState.WAITING, *UNDER_WAY}
"""States that a job does not leave."""
