"""Deciding what happens to an interrupted job, as a pure function of the facts about it.

`engine.queue` gathers the facts, calls this, and stores the decision.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchd.jobstates import JobState
from benchd.store.jobs import STOPPED_WORDS, WITHDRAWN_WORDS
from benchd.worksheet import OnInterrupt

MOST_INTERRUPTIONS = 10
"""How many times a job may be interrupted by the daemon's end before it fails. It is more than the
power cuts of a night. It is a limit since a job may itself crash the daemon, and would then switch
RF on again and again."""


@dataclass(frozen=True, slots=True)
class Interrupted:
    """The facts about an interrupted job.

    step_index: the step it was at, from 0. interruptions: how often it was interrupted so far.
    on_interrupt: what its recipe says. withdrawn: whether its withdrawal was ordered meanwhile.
    stopped: whether it is a trim session that was ordered to end meanwhile.
    put_back: whether it was other jobs that interrupted it, since nobody answered its request.
    """

    step_index: int
    interruptions: int = 0
    on_interrupt: OnInterrupt = "resume"
    withdrawn: bool = False
    put_back: bool = False
    stopped: bool = False

    @property
    def asks_captures(self) -> bool:
        """Whether the decision depends on the captures that the job has taken."""
        return self.on_interrupt == "resume" and self.step_index > 0


@dataclass(frozen=True, slots=True)
class Recovery:
    """The decision. advice: what a person can do, if the job fails."""

    state: JobState
    step_index: int
    message: str
    advice: str = ""


def recovery(job: Interrupted, outdated: Sequence[str] = ()) -> Recovery:
    """Decide how an interrupted job goes on.

    outdated: why the captures that it has taken can no longer be used, such as a baseline that
    became too old. Needed if `asks_captures` is true.
    """
    if job.withdrawn:
        return Recovery(JobState.WITHDRAWN, job.step_index, WITHDRAWN_WORDS)
    if job.stopped:
        return Recovery(JobState.DONE, job.step_index, STOPPED_WORDS)
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
