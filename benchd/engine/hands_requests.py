"""Hands requests: asking a person to do something, and what happens if nobody answers.

While a request stands, RF is off and nothing else runs, since somebody's hands may be in the box.
The request stands for at most the `patience` of its step, so that a forgotten request does not
block the bench for a night. After that time the request is withdrawn before anything else may
happen, and a later answer is refused. What happens then is stated in the recipe.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from datetime import UTC, datetime, timedelta
from enum import Enum, auto
from typing import Any

from benchd.engine.events import EventHub
from benchd.engine.job_stops import Halt
from benchd.errors import BenchdError, NoAnswer
from benchd.moments import utc_text
from benchd.recipe.render import whole_duration
from benchd.store import JobRow, JobState, WrongState
from benchd.worksheet import (
    AcceptStep,
    CaptureStep,
    HandsStep,
    ReduceStep,
    Step,
    Worksheet,
)


class Answer(Enum):
    """The ways in which a request may end."""

    READY = auto()
    SKIP = auto()
    PUT_BACK = auto()


class PutBack(Exception):
    """Raised when nobody answered: the job goes back to waiting, and other jobs may run."""


class Progress:
    """How far one run of a job is, and which steps it left out because nobody answered."""

    def __init__(self, step_index: int, *, others_ran: bool) -> None:
        """others_ran: whether other jobs have run since this job asked and got no answer."""
        self.step_index = step_index
        self._others_ran = others_ran
        self._trouble = ""
        self.worksheet: Worksheet | None = None
        self.left_out: list[Step] = []
        self.remarks: list[str] = []
        self._skipping = False

    def words(self, ask: str) -> str:
        """The text of a request. The first one after other jobs have run tells that they have."""
        told, self._others_ran = self._others_ran, False
        trouble, self._trouble = self._trouble, ""
        if told:
            ask = f"Other jobs have run since you were asked: see what is fitted. {ask}"
        return f"{trouble} {ask}" if trouble else ask

    def look_failed(self, error: BenchdError) -> None:
        """A look of a trim session ended without a capture; the next request says why."""
        where = f"{error.where}: " if error.where else ""
        self._trouble = f"The look was broken off, RF is off: {where}{error.message}."

    def skip_from(self, step: HandsStep) -> None:
        """Nobody answered this request: leave out the steps after it, up to the next request."""
        self._skipping = True
        self.leave_out(step)

    def leave_out(self, step: Step) -> None:
        """Remember a step that was left out, for the job's last message."""
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
        """The message of a job that has ended: names what was left out, and the first remark."""
        words = "done"
        if self.left_out:
            labels = "; ".join(f"step {step.index + 1} ({step.label})" for step in self.left_out)
            words += f", but nobody answered in time, so these were left out: {labels}"
        if self.remarks:
            more = len(self.remarks) - 1
            words += f"; {self.remarks[0]}" + (f", and {more} more like it" if more else "")
        return words


@asynccontextmanager
async def _nothing_else(job_id: str, step: HandsStep) -> AsyncIterator[None]:
    """While most requests stand, nothing is done."""
    yield


class Asking:
    """Makes the hands requests of the running job.

    set_state: see `Runner.state`. others_wait: tells whether another job could run now.
    meanwhile: what goes on while a request stands, such as watching for the lid to be closed.
    """

    def __init__(
        self,
        hub: EventHub,
        halt: Halt,
        set_state: Callable[..., Awaitable[JobRow]],
        others_wait: Callable[[], Awaitable[bool]],
        meanwhile: Callable[[str, HandsStep], AbstractAsyncContextManager[None]] = _nothing_else,
    ) -> None:
        self._meanwhile = meanwhile
        self._hub = hub
        self._halt = halt
        self._set_state = set_state
        self._others_wait = others_wait

    async def ask(self, job_id: str, step: HandsStep, ask: str) -> Answer:
        """Ask, and wait for the answer for at most the step's patience. RF must be off.

        Raises Cancelled if the job must stop, and NoAnswer if the recipe says that the job fails
        without an answer.
        """
        only_from: JobState | None = None
        while True:
            hands = _request(step, ask)
            # Cleared before the request is published, since an answer may come at once.
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
            async with self._meanwhile(job_id, step):
                answered = await self._answered(step.patience_s)
            if answered:
                return Answer.READY
            if step.then != "let-others-run":
                return await self._end(job_id, step)
            if await self._others_wait():
                return await self._put_back(job_id, step)
            # No other job needs the bench, so the request stands for the same time once more.
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
        """The request was answered in the moment in which it was to be withdrawn: accept that."""
        self._halt.check()
        return Answer.READY

    async def _end(self, job_id: str, step: HandsStep) -> Answer:
        """Withdraw the request. An answer that came just before counts."""
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
    """The document of a request. `until`: the time until which it stands, with RF off."""
    until = datetime.now(UTC) + timedelta(seconds=step.patience_s)
    return {
        "ask": ask,
        "caution": step.caution,
        "step": step.index,
        "until": utc_text(until),
        "then": step.then,
        "look": step.look,
    }


def put_back_words(step: HandsStep) -> str:
    """The message of a job that lets others run. It says above all that the bench is not kept free
    any more: other jobs may switch RF on."""
    return (
        f"nobody answered within {whole_duration(step.patience_s)}, so waiting jobs run first and "
        f"RF may come on: keep your hands out of the box until it asks again: {step.ask}"
    )


def to_ask_again(worksheet: Worksheet, step_index: int) -> HandsStep | None:
    """The request to repeat before an interrupted job goes on at `step_index`, if any.

    A person may be at the bench to see why it stood still. So a job with hands requests does not
    switch RF on by itself after an interruption: if a step before its next request radiates, the
    last request is made once more.
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


def look_before(worksheet: Worksheet, step: Step) -> HandsStep | None:
    """The request that a capture of a trim session follows; None for any other step."""
    if not isinstance(step, CaptureStep) or step.index == 0:
        return None
    before = worksheet.steps[step.index - 1]
    return before if isinstance(before, HandsStep) and before.look is not None else None


def can_skip(worksheet: Worksheet) -> bool:
    """Whether steps of this worksheet may be left out because nobody answers."""
    return any(isinstance(step, HandsStep) and step.then == "skip" for step in worksheet.steps)
