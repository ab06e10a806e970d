"""How a job goes on that was interrupted: decided from what is known of it, and nothing else. Pure.

The queue asks, writes down what is decided, and asks nobody else. `engine.queue` gathers the facts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from benchd.store import JobState
from benchd.store.jobs import WITHDRAWN_WORDS

MOST_INTERRUPTIONS = 10
"""How often a job may be found under way at a start before it fails: more power cuts than a night
has, and few enough that a job which itself ends the daemon does not switch RF on for ever."""


@dataclass(frozen=True, slots=True)
class Interrupted:
    """What is known of an interrupted job.

    step_index: the step it was at, from 0. interruptions: how often it was interrupted so far.
    on_interrupt: what its recipe says. withdrawn: whether its withdrawal was ordered meanwhile.
    put_back: whether it was other jobs that interrupted it, since nobody answered its request.
    """

    step_index: int
    interruptions: int = 0
    on_interrupt: Literal["resume", "restart", "fail"] = "resume"
    withdrawn: bool = False
    put_back: bool = False

    @property
    def asks_captures(self) -> bool:
        """Whether it depends on its captures how it goes on."""
        return self.on_interrupt == "resume" and self.step_index > 0


@dataclass(frozen=True, slots=True)
class Recovery:
    """What becomes of it. advice: what a person can do, where it fails."""

    state: JobState
    step_index: int
    message: str
    advice: str = ""


def recovery(job: Interrupted, outdated: Sequence[str] = ()) -> Recovery:
    """How an interrupted job goes on.

    outdated: why what it has captured can no longer be gone on from, such as a baseline that grew
    too old; needed where `asks_captures`.
    """
    if job.withdrawn:
        return Recovery(JobState.WITHDRAWN, job.step_index, WITHDRAWN_WORDS)
    at = f"step {job.step_index + 1}"
    if job.on_interrupt == "fail":
        if job.put_back:
            message = f"nobody answered at {at}, and other jobs have run since"
            return _failed(job, message, "Queue it again when somebody is there.")
        return _failed(job, f"interrupted at {at}", "Queue it again, or reduce what there is.")
    if job.interruptions >= MOST_INTERRUPTIONS and not job.put_back:
        return _failed(
            job,
            f"interrupted at {at}, {job.interruptions} times in all",
            "Power fails too often, or the job ends the daemon: see its log, queue it again.",
        )
    reason = "; ".join(outdated) if job.asks_captures else ""
    step_index = 0 if reason or not job.asks_captures else job.step_index
    if job.put_back:
        message = "begins again, since other jobs have run"
        message = f"{message}: {reason}" if reason else message
    elif reason:
        message = f"interrupted; begins again: {reason}"
    else:
        message = f"interrupted; goes on at step {step_index + 1}"
    return Recovery(JobState.WAITING, step_index, message)


def _failed(job: Interrupted, message: str, advice: str) -> Recovery:
    return Recovery(JobState.FAILED, job.step_index, message, f"Its captures are kept. {advice}")
