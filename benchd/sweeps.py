"""Sweeps: how one is to be run, and how one was run. Pure data.

A recipe's sweep becomes a `SweepPlan`; the procedures of `benchd.acquire` run it; the capture that
comes of it keeps it as `SweepAsRun`.
"""

from __future__ import annotations

from typing import Any, Literal, get_args

from pydantic import BaseModel, ConfigDict

from benchd.units import show

Detector = Literal["rms", "log-average", "peak", "sample", "power"]
"""How one reading is made of what arrives in its time; `power` is that of a power meter."""
Method = Literal["stepped", "hold", "tracking", "vector"]
Lid = Literal["closed", "open"]
"""How the lid of the box stands."""

METHODS: tuple[Method, ...] = get_args(Method)
METHOD_WORDS: dict[Method, str] = {
    "stepped": "stepped, point by point",
    "hold": "free-running source, max hold",
    "tracking": "tracking source",
    "vector": "network analyzer",
}
DETECTORS: tuple[Detector, ...] = get_args(Detector)
POWER: Detector = "power"


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Refine(_Frozen):
    """Finer grid after the coarse one: `points` more, over `span_hz` around what `around` names."""

    around: Literal["resonance"]
    span_hz: float
    points: int


class RefineTo(_Frozen):
    """Only some frequencies of the grid: every so-many-th at first, then those that tell most.

    to_hz: half-width (95 %) that is wanted of resonance and band edges, as far as noise and the
        spacing of the readings make it.
    reach_hz: greatest distance of the first readings. A second dip of more than 6 dB that absorbs
        1 dB or more over such a width is not overlooked.
    at_most_points, at_most_s: where it ends in any case; first readings count.
    """

    to_hz: float
    reach_hz: float
    at_most_points: int
    at_most_s: float | None = None


Wiring = Literal[
    "hand-in-hand", "source-leads", "analyzer-leads", "source-by-command", "analyzer-by-command"
]
"""Which of source and analyzer steps through a list, and what makes it go on; see
`benchd.acquire.listed`."""

WIRING_WORDS: dict[Wiring, str] = {
    "hand-in-hand": "by trigger, source and analyzer wait for each other",
    "source-leads": "by trigger, the source leads",
    "analyzer-leads": "by trigger, the analyzer leads",
    "source-by-command": "the source steps through a list, by command",
    "analyzer-by-command": "the analyzer steps through a list, by command",
}

LONGEST_LIST_S = 2.0
"""Longest time of one list, s. Nobody asks the instruments meanwhile whether all is well, so a
longer list is split."""

MOST_LIST_BYTES = 3800
"""Longest message that loads a list; instruments are trusted with 4,096 bytes at once."""


class ListSteps(_Frozen):
    """How the points of a stepped sweep are gone through by lists.

    source_settle_s, analyzer_settle_s: time each of them needs after a step. late_s: most by which
    a trigger may come late. points: most of one list. if_missed: what follows a missed trigger.
    """

    wiring: Wiring
    source_settle_s: float
    analyzer_settle_s: float
    late_s: float
    points: int
    if_missed: Literal["step-by-command", "fail"] = "step-by-command"

    @property
    def by_trigger(self) -> bool:
        """Whether pulses on a cable move the lists, and no commands."""
        return not self.wiring.endswith("-by-command")

    def point_s(self, dwell_s: float) -> float:
        """Time of one point, s."""
        both = self.source_settle_s + self.analyzer_settle_s
        if self.wiring == "hand-in-hand":
            return both + dwell_s + 2.0 * self.late_s
        if self.wiring == "analyzer-leads":
            return both + dwell_s + self.late_s
        return max(self.source_settle_s, self.analyzer_settle_s) + dwell_s + self.late_s

    def passes(self, average: int) -> int:
        """How often the lists are gone through. One cable alone cannot tell whether the other was
        in time, so there are two passes at least, there and back, which must agree."""
        one_cable = self.wiring in ("source-leads", "analyzer-leads")
        return max(average, 2) if one_cable else average


class SweepPlan(_Frozen):
    """One sweep, ready to run. The grid is `points` frequencies from start to stop, inclusive.

    refine: reads more than the grid (`Refine`), or less (`RefineTo`).

    rf: `off` only listens; the source stays off throughout.
    lists: of a stepped sweep, how it goes through lists; None where each point is a command.
    """

    method: Method
    start_hz: float
    stop_hz: float
    points: int
    level_dbm: float
    resolution_bandwidth_hz: float
    video_bandwidth_hz: float | None = None
    detector: Detector = "rms"
    dwell_s: float = 0.002
    average: int = 1
    sweep_time_s: float | None = None
    free_run_s: float | None = None
    reference_level_dbm: float | None = None
    attenuation_db: float | None = None
    refine: Refine | RefineTo | None = None
    rf: Literal["on", "off"] = "on"
    lists: ListSteps | None = None

    @property
    def refine_to(self) -> RefineTo | None:
        """How the sweep chooses among its frequencies; None where it reads them all."""
        return self.refine if isinstance(self.refine, RefineTo) else None

    @property
    def most_points(self) -> int:
        """How many frequencies it reads at most."""
        if isinstance(self.refine, RefineTo):
            return self.refine.at_most_points
        return self.points + (self.refine.points if self.refine else 0)

    @property
    def radiates(self) -> str:
        """Frequencies and level of what the source sends, in words; empty if it stays off."""
        if self.rf == "off":
            return ""
        ends = dict.fromkeys((show(self.start_hz, "Hz"), show(self.stop_hz, "Hz")))
        return f"{' to '.join(ends)}, {show(self.level_dbm, 'dBm')}"


class SweepAsRun(SweepPlan):
    """The plan of a sweep that was run, and how the box stood.

    lid: None in captures from before it was recorded.
    """

    lid: Lid | None = None

    @classmethod
    def of(cls, plan: SweepPlan, *, lid: Lid | None = None) -> SweepAsRun:
        """The plan that was run, with the lid as it was asked for; all of it counts as stated."""
        return cls.model_validate({**plan.model_dump(), "lid": lid})

    def stated(self) -> dict[str, Any]:
        """Plain values by name, as stores and answers hold them.

        A capture from before a setting existed does not name it: the default is what was done,
        and not what was recorded.
        """
        return self.model_dump(mode="json", exclude_unset=True)
