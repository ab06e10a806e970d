"""What the running job does at this moment, for whoever looks on.

The bench thread tells here what a sweep has read. It must cost it next to nothing, so points are
collected and handed to watchers a few times a second, and only while somebody watches. They are not
kept among the events: `document` gives all that the sweep has read so far, to whoever comes later.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from itertools import accumulate
from time import monotonic
from typing import Any

from benchd.engine.events import EventHub
from benchd.worksheet import CaptureStep, Worksheet
from drivers.exchange import Progress, Taken

PROGRESS_S = 0.1
"""Shortest time between two progress events. More would push important ones out of the limited
number of events that are kept."""
POINTS_S = 0.2
"""Shortest time between two events with points."""
MOST_AT_ONCE = 2001
"""Most points of a trace that replaces the one before, as a sweep of the analyzer's own does."""
EARLY = 0.1
"""Up to this part of a sweep its time left is what the worksheet expects; then its own pace."""


class SweepNews:
    """Tells of one sweep. It is called on the bench thread, with each `Progress`."""

    def __init__(self, hub: EventHub, job_id: str, step: CaptureStep) -> None:
        self._publish = _from_any_thread(hub)
        self._hub = hub
        self._names = {"job": job_id, "step": step.index}
        self._step = step
        self._started = monotonic()
        self._told = self._shown = 0.0
        self._done, self._total = 0, 1
        # Replaced as a whole and otherwise only added to, so that another thread may read it.
        self._read: list[tuple[float, float]] = []
        self._sent = 0

    def begin(self) -> None:
        """The sweep begins, perhaps once more after a lost link."""
        self._started = monotonic()
        self._read, self._sent, self._done = [], 0, 0

    def __call__(self, progress: Progress) -> None:
        """Take what the sweep tells, and tell watchers if it is time to."""
        now, ended = monotonic(), progress.done >= progress.total
        self._done, self._total = progress.done, progress.total
        if progress.taken is not None:
            self._take(progress.taken)
        if self._hub.is_watched and (ended or now - self._shown >= POINTS_S):
            self._shown = now
            self._show()
        if ended or now - self._told >= PROGRESS_S:
            self._told = now
            self._publish(
                "progress",
                {
                    **self._names,
                    "label": self._step.label,
                    "done": progress.done,
                    "total": progress.total,
                    "elapsed_s": now - self._started,
                },
                True,
            )

    def _take(self, taken: Taken) -> None:
        new = [
            (float(frequency_hz), float(level_dbm))
            for frequency_hz, level_dbm in zip(taken.frequency_hz, taken.level_dbm, strict=True)
        ]
        if taken.is_all:
            self._read, self._sent = new[:: 1 + len(new) // MOST_AT_ONCE], 0
        else:
            self._read.extend(new)

    def _show(self) -> None:
        new = self._read[self._sent :]
        if not new:
            return
        points = {"first": self._sent, **_columns(new)}
        self._sent += len(new)
        self._publish("points", {**self._names, **points}, False)

    def left_s(self) -> float:
        """Expected time until the sweep ends, s."""
        elapsed_s, part = monotonic() - self._started, self._done / self._total
        if part <= EARLY:
            return max(0.0, self._step.expected_s - elapsed_s)
        return elapsed_s * (1.0 - part) / part

    def document(self) -> dict[str, Any]:
        """What is swept, how far it is, and every point so far, in the order of reading."""
        step, plan = self._step, self._step.sweep
        return {
            **self._names,
            "name": step.name,
            "role": step.role,
            "route": step.route,
            "antenna": step.antenna,
            "start_hz": plan.start_hz,
            "stop_hz": plan.stop_hz,
            "radiates": plan.radiates,
            "done": self._done,
            "total": self._total,
            "elapsed_s": monotonic() - self._started,
            **_columns(list(self._read)),
        }


class Underway:
    """The running job's present step and sweep. Used on the event loop."""

    def __init__(self, hub: EventHub) -> None:
        self._hub = hub
        self._worksheet: Worksheet | None = None
        self._after_s: list[float] = []
        self._index = 0
        self._since = 0.0
        self._sweep: SweepNews | None = None

    def begin_job(self, worksheet: Worksheet) -> None:
        """A job begins or goes on."""
        self._worksheet = worksheet
        times_s = [step.expected_s for step in reversed(worksheet.steps)]
        # Time that is left after each step: the sums from the end, without the step itself.
        self._after_s = list(accumulate(times_s, initial=0.0))[-2::-1]
        self._index, self._since, self._sweep = 0, monotonic(), None

    def begin_step(self, index: int) -> None:
        """A step of it begins."""
        self._index, self._since, self._sweep = index, monotonic(), None

    def begin_sweep(self, job_id: str, step: CaptureStep) -> SweepNews:
        """A sweep of it begins; returns whom the bench thread tells."""
        self._sweep = SweepNews(self._hub, job_id, step)
        return self._sweep

    def end_job(self) -> None:
        """Nothing runs any more."""
        self._worksheet, self._sweep = None, None

    def document(self) -> dict[str, Any]:
        """The step at hand, the expected time left in s, and the sweep; None where there is none.

        A person's time is not counted.
        """
        if self._worksheet is None or self._index >= len(self._worksheet.steps):
            return {"step": None, "left_s": None, "sweep": None}
        step = self._worksheet.steps[self._index]
        sweep = self._sweep
        here_s = max(0.0, step.expected_s - (monotonic() - self._since))
        return {
            "step": {
                "index": step.index,
                "steps": len(self._worksheet.steps),
                "kind": step.kind,
                "label": step.label,
            },
            "left_s": self._after_s[self._index] + (here_s if sweep is None else sweep.left_s()),
            "sweep": None if sweep is None else sweep.document(),
        }


def _columns(points: list[tuple[float, float]]) -> dict[str, list[float]]:
    return {
        "frequency_hz": [frequency_hz for frequency_hz, _ in points],
        "level_dbm": [level_dbm for _, level_dbm in points],
    }


def _from_any_thread(hub: EventHub) -> Callable[[str, dict[str, Any], bool], None]:
    """Publish on the event loop, from any thread."""
    loop = asyncio.get_running_loop()

    def on_loop(kind: str, data: dict[str, Any], keep: bool) -> None:
        hub.publish(kind, data, keep=keep)

    def publish(kind: str, data: dict[str, Any], keep: bool) -> None:
        loop.call_soon_threadsafe(on_loop, kind, data, keep)

    return publish
