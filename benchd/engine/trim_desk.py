"""What may be asked of a trim session, beside what may be asked of every job."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

from benchd.engine.current_bench import CurrentBench
from benchd.engine.events import EventHub
from benchd.engine.reducing import Reducer
from benchd.engine.storethread import StoreThread
from benchd.engine.workthread import WorkThread
from benchd.errors import NormalisationRefused, OrderRefused, ReductionRefused
from benchd.known.captures import JobCaptures
from benchd.recipe import load_recipe, resolve
from benchd.recipe.trim_session import TrimRequest, trim_recipe
from benchd.reductions.trim_look import TrimLook, look_curves, next_step
from benchd.results import ResultRecord
from benchd.store import CaptureRow, JobRow, Store
from benchd.traces import PATH_BROKEN, REMOVED
from benchd.wording import result_text
from benchd.worksheet import HandsStep, ReduceStep, Worksheet

LONGEST_CUT_M = 1.0


class TrimDesk:
    """Questions and orders that only a trim session has. All coroutines run on the event loop."""

    def __init__(
        self,
        *,
        current: CurrentBench,
        store: Store,
        store_thread: StoreThread,
        hub: EventHub,
        working: WorkThread,
        reducer: Callable[[Worksheet], Reducer],
    ) -> None:
        """working: where a session's curves are worked out, so that nothing waits for them.
        reducer: for the captures of a job with this worksheet."""
        self._current = current
        self._store = store
        self._db = store_thread
        self._hub = hub
        self._working = working
        self._reducer = reducer

    def worksheet(self, wanted: TrimRequest, *, stored: bool) -> Worksheet:
        """The session's worksheet on the present bench. stored: against stored baselines.

        Raises OrderRefused, RecipeError, UnsafeError.
        """
        bench = self._current.now
        recipe = load_recipe(trim_recipe(bench, wanted, stored=stored), file="trim session")
        return resolve(recipe, bench, {})

    async def require_session(self, job_id: str) -> None:
        """Raise OrderRefused if the job is no trim session, UnknownId if there is none."""
        worksheet = await self._db.call(self._store.worksheet, job_id)
        if not worksheet.is_trim_session:
            raise OrderRefused(
                f"job {job_id} is no trim session",
                advice="Only a trim session has looks and can be stopped as done; withdraw it.",
            )

    def require_named(self, row: JobRow, step: int | None, until: str | None) -> None:
        """Raise OrderRefused for an answer that does not say which request it answers, if that is
        one before a look, or that was meant for an earlier request.

        An answer that arrives late or twice would else start the next look, with hands in the box.
        """
        hands = row.hands or {}
        if step is None and hands.get("look"):
            raise OrderRefused(
                f"job {row.id} is a trim session, so an answer names the step that it answers",
                advice=f"It asks in step {hands.get('step')}: {row.message}",
            )
        if until is not None and until != hands.get("until"):
            raise OrderRefused(
                f"the request that this answers stands no more; job {row.id} has asked again since",
                advice=f"Take your hands out, then answer what it asks now: {row.message}",
            )

    def require_length(self, row: JobRow, removed_m: float) -> None:
        """Raise OrderRefused for a length that nobody can have taken off, or that was not asked."""
        if not (row.hands or {}).get("look"):
            raise OrderRefused(
                f"job {row.id} asks for no look, so no length taken off belongs to its answer",
                advice="Answer it without a length: benchd ready.",
            )
        if not 0.0 <= removed_m <= LONGEST_CUT_M:
            raise OrderRefused(
                f"{removed_m * 1e3:g} mm cannot have been taken off; expected 0 to 1000 mm",
                advice="Say what was taken off each arm since the last look, 0 for nothing.",
            )

    async def note_removed(self, job_id: str, removed_m: float, step: int | None = None) -> JobRow:
        """Note what was taken off each arm, m, for the look that is asked for; starts nothing.

        step: of the request that was shown when the length was typed. A length that comes after
        the lid has started that look would else count for the next one; None takes it as it is.

        Raises OrderRefused if the job asks for no look, or for another one.
        """
        row = await self._db.call(self._store.job, job_id)
        now = (row.hands or {}).get("step")
        if step is not None and now != step:
            raise OrderRefused(
                f"the look before which {removed_m * 1e3:g} mm were taken off has begun without it",
                advice="Correct that look once it is shown; no other look may count it.",
            )
        self.require_length(row, removed_m)
        row = await self._db.call(self._store.note_removed, job_id, removed_m)
        self._hub.publish("job", {"job": row.id, "state": row.state, "message": row.message})
        return row

    async def correct_removed(self, job_id: str, number: int, removed_m: float) -> JobRow:
        """Another length was taken off before look `number` (from 2) than was said then, m.

        Noted first; then that look and all after it are reduced again, so that the advice is what
        it would have been. What was said before is kept. Raises OrderRefused for a job that is no
        trim session or has ended, and for a look that there is not.
        """
        await self.require_session(job_id)
        worksheet = await self._db.call(self._store.worksheet, job_id)
        row = await self._db.call(self._store.job, job_id)
        captures, taken = await self._db.call(self._taken, row, worksheet)
        if not 2 <= number <= len(taken):
            raise OrderRefused(
                f"job {job_id} has no look {number} with a length before it",
                advice=f"It has taken {len(taken)} looks; the first has no length before it.",
            )
        if not 0.0 <= removed_m <= LONGEST_CUT_M:
            raise OrderRefused(
                f"{removed_m * 1e3:g} mm cannot have been taken off; expected 0 to 1000 mm"
            )
        await self._require_newest(job_id, str(worksheet.parameters["antenna"]))
        capture = captures[taken[number - 1].name]
        look = {
            "look": number,
            "capture": capture.id,
            "step": taken[number - 1].index,
            "was_m": _removed_m(row, capture),
        }
        row = await self._db.call(self._store.correct_removed, job_id, look, removed_m)
        reducer = self._reducer(worksheet)
        for step in taken[number - 1 :]:
            records = await self._db.call(reducer.records, job_id, worksheet, step)
            await self._db.call(
                partial(self._store.commit_results, step_index_after=None),
                job_id, step.label, records,
            )  # fmt: skip
            for record in records:
                self._hub.publish("result", {"job": job_id, "result": record.id})
        self._hub.publish("job", {"job": row.id, "state": row.state, "message": row.message})
        return row

    async def _require_newest(self, job_id: str, antenna: str) -> None:
        """Raise OrderRefused if another job has measured the antenna since: looks of before that,
        reduced again now, would pass for how it stands."""
        bench = self._current.now.bench
        newest = await self._db.call(
            partial(self._store.results, bench=bench, antenna=antenna, limit=1)
        )
        if newest and newest[0].job_id != job_id:
            raise OrderRefused(
                f"job {newest[0].job_id} has measured {antenna} since, so a length of before that "
                "is not corrected any more",
                advice="Take the next look without a length: what the looks tell begins anew.",
            )

    async def sessions(self) -> list[JobRow]:
        """Trim sessions, newest first."""
        rows = await self._db.call(self._store.jobs, None, limit=1000)
        return [row for row in rows if row.recipe == "trim-session"]

    async def document(self, job_id: str) -> dict[str, Any]:
        """The session as a page or a terminal shows it.

        job, state, message, hands, antenna, design_frequency_hz, start (`button` or `lid`),
        looks_most, noted_removed_m (typed in for the next look), cautions (of the worksheet), and
        looks, oldest first: see `_looks`.
        Raises OrderRefused if the job is no trim session.
        """
        await self.require_session(job_id)
        row = await self._db.call(self._store.job, job_id)
        worksheet = await self._db.call(self._store.worksheet, job_id)
        looks = await self._working.call(self._looks, row, worksheet)
        steps = [step for step in worksheet.steps if isinstance(step, HandsStep) and step.look]
        last = [step for step in worksheet.steps if isinstance(step, ReduceStep)][-1].settings
        assert isinstance(last, TrimLook)
        said = row.answer or {}
        asked = (row.hands or {}).get("step")
        noted = said.get("removed_m") if asked is not None and said.get("step") == asked else None
        return {
            "job": row.id,
            "state": row.state,
            "message": row.message,
            "hands": row.hands,
            "antenna": worksheet.parameters["antenna"],
            "design_frequency_hz": last.design_frequency_hz,
            "start": steps[0].look,
            "looks_most": len(steps),
            "noted_removed_m": noted,
            "cautions": worksheet.cautions,
            "looks": looks,
        }

    def _looks(self, row: JobRow, worksheet: Worksheet) -> list[dict[str, Any]]:
        """Look by look: number, capture, taken_at, removed_m, earlier_removed_m (what was said
        before it was corrected, oldest first), frequency_hz, return_loss_db, and its results by
        quantity. A look that is not reduced yet has no results."""
        captures, taken = self._taken(row, worksheet)
        records: dict[str, list[ResultRecord]] = {}
        for record in self._store.results(job_id=row.id):
            records.setdefault(record.step, []).append(record)
        curves = self._curves(row, taken)
        found = []
        for number, step in enumerate(taken, start=1):
            capture = captures[step.name]
            own = [one for one in records.get(step.name, ()) if capture.id in one.result.captures]
            frequency_hz, return_loss_db = curves.get(capture.id, ((), ()))
            found.append(
                {
                    "number": number,
                    "capture": capture.id,
                    "taken_at": capture.taken_at,
                    "removed_m": _removed_m(row, capture),
                    "earlier_removed_m": [
                        one["was_m"] for one in row.corrections if one["capture"] == capture.id
                    ],
                    "frequency_hz": frequency_hz,
                    "return_loss_db": return_loss_db,
                    "results": _by_quantity(own),
                }
            )
        return found

    def _taken(
        self, row: JobRow, worksheet: Worksheet
    ) -> tuple[dict[str, CaptureRow], list[ReduceStep]]:
        """The captures by name, the newest of each, and the reductions of the looks taken."""
        captures: dict[str, CaptureRow] = {}
        for one in self._store.captures(job_id=row.id):
            if PATH_BROKEN not in one.flags:
                captures.setdefault(one.step, one)
        reductions = [step for step in worksheet.steps if isinstance(step, ReduceStep)]
        return captures, _in_order(reductions, captures)

    def _curves(
        self, row: JobRow, taken: Sequence[ReduceStep]
    ) -> Mapping[str, tuple[Sequence[float], Sequence[float]]]:
        if not taken:
            return {}
        settings = taken[-1].settings
        assert isinstance(settings, TrimLook)
        job = JobCaptures(self._store, row.id, taken[-1].label, row.started_at)
        try:
            return {
                capture: (frequency_hz.tolist(), return_loss_db.tolist())
                for capture, frequency_hz, return_loss_db in look_curves(settings, job)
            }
        except (NormalisationRefused, ReductionRefused):
            return {}  # the job itself tells why, when it reduces them


def _removed_m(row: JobRow, capture: CaptureRow) -> float | None:
    """What was taken off each arm before a look, m: as corrected, or as it was said then."""
    corrected = [one["removed_m"] for one in row.corrections if one["capture"] == capture.id]
    return corrected[-1] if corrected else capture.readings.get(REMOVED)


def _in_order(
    reductions: Sequence[ReduceStep], captures: Mapping[str, CaptureRow]
) -> list[ReduceStep]:
    """The looks that were taken, in order. Those left over from before the job began again, which
    are older than the look before them, are not among them."""
    found: list[ReduceStep] = []
    for step in reductions:
        row = captures.get(step.name)
        if row is None or (found and row.taken_at < captures[found[-1].name].taken_at):
            break
        found.append(step)
    return found


def _by_quantity(records: Sequence[ResultRecord]) -> dict[str, Any]:
    """The newest result of each quantity, without its budget."""
    found: dict[str, Any] = {}
    for record in records:
        result = record.result
        found.setdefault(
            result.quantity,
            {
                "id": record.id,
                "value": result.value,
                "unit": result.unit,
                "expanded_uncertainty": result.expanded_uncertainty,
                "low": result.low,
                "high": result.high,
                "flags": result.flags,
                "text": result_text(result),
                "note": result.note,
            },
        )
    left = found.get("trim_per_arm")
    if left is not None:
        left["state"], left["next_cut_m"] = next_step(left["value"], left["low"], left["high"])
    return found
