"""Asking a person, for a bounded time: what happens to a hands request that nobody answers.

While a request stands, RF is off and nothing else runs: somebody's hands may be in the box. That
holds for the patience of the step and no longer, so that a forgotten request does not cost the
night. When it ends, the request is taken back before anything else may happen, and an answer that
comes later is refused. What then happens is the recipe's choice.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from enum import Enum, auto
from typing import Any

from benchd.engine.events import EventHub
from benchd.engine.windows import Halt
from benchd.errors import NoAnswer
from benchd.recipe.render import whole_duration
from benchd.store import JobRow, JobState, WrongState
from benchd.store.messages import utc_text
from benchd.worksheet import (
    AcceptStep,
    CaptureStep,
    HandsStep,
    ReduceStep,
    Step,
    Worksheet,
)


class Answer(Enum):
    """How a request ended."""

    READY = auto()
    SKIP = auto()
    PUT_BACK = auto()


class PutBack(Exception):
    """Nobody answered; the job waits again and lets others run."""


class Progress:
    """How far one run of a job is, and what it left out for want of an answer."""

    def __init__(self, step_index: int, *, others_ran: bool) -> None:
        """others_ran: since this job last asked, without an answer."""
        self.step_index = step_index
        self._others_ran = others_ran
        self.worksheet: Worksheet | None = None
        self.left_out: list[Step] = []
        self._skipping = False

    def words(self, ask: str) -> str:
        """The words of a request; the first one tells where others have used the bench since."""
        told, self._others_ran = self._others_ran, False
        return (
            f"Other jobs have run since you were asked: see what is fitted. {ask}" if told else ask
        )

    def skip_from(self, step: HandsStep) -> None:
        """Nobody answered this request: what follows it is left out, up to the next one."""
        self._skipping = True
        self.leave_out(step)

    def leave_out(self, step: Step) -> None:
        """Note a step that is not done."""
        self.left_out.append(step)

    def skips(self, step: Step) -> bool:
        """Whether this step is left out because it follows an unanswered request."""
        if isinstance(step, HandsStep):
            self._skipping = False
        if not self._skipping or isinstance(step, ReduceStep | AcceptStep):
            return False
        self.leave_out(step)
        return True

    def lacks(self, worksheet: Worksheet, step: ReduceStep, taken: set[str]) -> bool:
        """Whether a reduction is left out because captures that it needs were left out.

        taken: names of the job's stored captures. After an interruption they alone tell.
        """
        missing = {
            one.name
            for one in (*self.left_out, *worksheet.steps[: step.index])
            if isinstance(one, CaptureStep) and (one in self.left_out or one.name not in taken)
        }
        if not missing & step.needed_captures:
            return False
        self.leave_out(step)
        return True

    @property
    def last_words(self) -> str:
        """What is said of a job that came to its end."""
        if not self.left_out:
            return "done"
        labels = "; ".join(f"step {step.index + 1} ({step.label})" for step in self.left_out)
        return f"done, but nobody answered in time, so these were left out: {labels}"


class Asking:
    """Makes the hands requests of one job after the other.

    set_state: as `Runner.state`. others_wait: whether another job could run now.
    """

    def __init__(
        self,
        hub: EventHub,
        halt: Halt,
        set_state: Callable[..., Awaitable[JobRow]],
        others_wait: Callable[[], Awaitable[bool]],
    ) -> None:
        self._hub = hub
        self._halt = halt
        self._set_state = set_state
        self._others_wait = others_wait

    async def ask(self, job_id: str, step: HandsStep, ask: str) -> Answer:
        """Ask, and wait for the answer as long as the step's patience. RF must be off.

        Raises Cancelled where the job must stop, NoAnswer where the recipe then gives up.
        """
        only_from: JobState | None = None
        while True:
            hands = _request(step, ask)
            # Cleared before anybody can know of the request: an answer may come at once.
            self._halt.woken.clear()
            try:
                await self._set_state(
                    job_id, "needs-hands", message=ask, hands=hands, only_from=only_from
                )
            except WrongState:
                if only_from is None:
                    raise
                return self._answered_after_all()
            self._hub.publish("hands", {"job": job_id, **hands})
            if await self._answered(step.patience_s):
                return Answer.READY
            if step.then != "let-others-run":
                return await self._end(job_id, step)
            if await self._others_wait():
                return await self._put_back(job_id, step)
            # Nobody else needs the bench: it is held for this request for as long again.
            only_from = JobState.NEEDS_HANDS

    async def _answered(self, patience_s: float) -> bool:
        self._halt.check()
        try:
            async with asyncio.timeout(patience_s):
                await self._halt.woken.wait()
        except TimeoutError:
            return False
        self._halt.check()
        return True

    async def _put_back(self, job_id: str, step: HandsStep) -> Answer:
        """Take the request back and let others run."""
        try:
            await self._set_state(
                job_id,
                "waiting",
                message=put_back_words(step),
                only_from=JobState.NEEDS_HANDS,
                put_back=True,
            )
        except WrongState:
            return self._answered_after_all()
        return Answer.PUT_BACK

    def _answered_after_all(self) -> Answer:
        """The request stands no longer: it was answered in the moment in which it ended."""
        self._halt.check()
        return Answer.READY

    async def _end(self, job_id: str, step: HandsStep) -> Answer:
        """Take the request back. Where its answer was a moment faster, that counts."""
        waited = whole_duration(step.patience_s)
        message = f"nobody answered within {waited}: {step.ask}"
        try:
            await self._set_state(
                job_id, "running", message=message, only_from=JobState.NEEDS_HANDS
            )
        except WrongState:
            return self._answered_after_all()
        if step.then == "give-up":
            raise NoAnswer(
                message,
                where=f"step {step.index + 1}",
                advice="Its captures are kept. Queue it again when somebody is there.",
            )
        return Answer.SKIP


def _request(step: HandsStep, ask: str) -> dict[str, Any]:
    """What is told of a request. until: up to then the bench is held for it, with RF off."""
    until = datetime.now(UTC) + timedelta(seconds=step.patience_s)
    return {
        "ask": ask,
        "caution": step.caution,
        "step": step.index,
        "until": utc_text(until),
        "then": step.then,
    }


def put_back_words(step: HandsStep) -> str:
    """What is told of a job that lets others run: above all that the bench is no longer held."""
    return (
        f"nobody answered within {whole_duration(step.patience_s)}, so waiting jobs run first and "
        f"RF may come on: keep your hands out of the box until it asks again: {step.ask}"
    )


def to_ask_again(worksheet: Worksheet, step_index: int) -> HandsStep | None:
    """The request to repeat before an interrupted job goes on at `step_index`, if any.

    A person may have come to see why the bench stood still. So RF does not come on by itself in a
    job that works by hand: its last request is made once more, where something radiates before
    the next request.
    """
    asked = [step for step in worksheet.steps[:step_index] if isinstance(step, HandsStep)]
    for step in worksheet.steps[step_index:]:
        if not asked or isinstance(step, HandsStep):
            return None
        if isinstance(step, CaptureStep) and step.sweep.rf == "on":
            return asked[-1]
    return None


def ask_again_words(step: HandsStep, step_index: int) -> str:
    """The text of a request that is made once more."""
    return (
        f"benchd was interrupted and goes on at step {step_index + 1}. Make sure that this still "
        f"holds and that no hands are in the box: {step.ask}"
    )


def can_skip(worksheet: Worksheet) -> bool:
    """Whether steps of this worksheet may be left out for want of an answer."""
    return any(isinstance(step, HandsStep) and step.then == "skip" for step in worksheet.steps)
