"""Finding the captures that a reduction needs: those of its own job, and stored baselines that
were taken the same way."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property

from benchd.bench import Bench
from benchd.errors import NormalisationRefused, ReductionRefused
from benchd.known.archive import Archive, StoredCapture
from benchd.reduce.compatibility import description, differences
from benchd.traces import PATH_BROKEN, REMOVED, Capture, Role
from benchd.worksheet import NEWEST, BaselineInput, ReductionSettings

LOOKED_AT = 200


@dataclass(frozen=True)
class BenchKnowledge:
    """The two sources of what a reduction may assume about the bench.

    bench: the bench file. archive: stored captures and results, qualifications among them.
    """

    bench: Bench
    archive: Archive


@dataclass(frozen=True)
class Baselines:
    """The baselines that one capture is normalised against, by role (`open`, `short`).

    opening: those taken before the capture, or the only ones.
    closing: those taken again after it, so that drift in between can be interpolated.
    """

    opening: dict[str, Capture] = field(default_factory=dict)
    closing: dict[str, Capture] = field(default_factory=dict)

    @property
    def every(self) -> list[Capture]:
        """All of them, the opening ones first."""
        return [*self.opening.values(), *self.closing.values()]


@dataclass(frozen=True)
class JobCaptures:
    """The captures of the job whose step is reduced, and stored ones that fit them.

    step: the step's label, for refusals. began_at: when the job began; None where it has not.
    removed_m: by the id of a look's capture, what was taken off before it, where that was corrected
        after the look. The capture itself stays as it was taken.
    """

    archive: Archive
    job_id: str
    step: str = ""
    began_at: datetime | None = None
    removed_m: Mapping[str, float] = field(default_factory=dict)

    @cached_property
    def _rows(self) -> dict[str, StoredCapture]:
        """Rows by name; of several of one name (after a restart) the newest.

        A capture that was found to have a broken path is left out.
        """
        found: dict[str, StoredCapture] = {}
        for row in self.archive.captures(job_id=self.job_id):
            if row.step not in found and PATH_BROKEN not in row.flags:
                found[row.step] = row
        return found

    @cached_property
    def _loaded(self) -> dict[str, Capture]:
        """Captures by name that were read already."""
        return {}

    def named(self, name: str) -> Capture:
        """The job's capture of this name. Raises ReductionRefused if there is none."""
        if name in self._loaded:
            return self._loaded[name]
        row = self._rows.get(name)
        if row is None:
            raise ReductionRefused(
                f'the job holds no capture "{name}"',
                where=self.step,
                advice="It may have been interrupted before that step, or its path was broken; "
                "queue the recipe again.",
            )
        found = row.load()
        if found.id in self.removed_m:
            readings = {**found.readings, REMOVED: self.removed_m[found.id]}
            found = replace(found, readings=readings)
        self._loaded[name] = found
        return self._loaded[name]

    def of(self, settings: ReductionSettings) -> list[Capture]:
        """All captures that the settings name, in their order. Raises ReductionRefused."""
        return [self.named(name) for names in settings.inputs().values() for name in names]

    def all(self, names: Iterable[str] | None) -> list[Capture]:
        """The job's captures of these names, in their order. Raises ReductionRefused."""
        return [self.named(name) for name in names or ()]

    def baselines(
        self,
        wanted: Iterable[BaselineInput],
        test: Capture,
        *,
        max_age_s: float | None,
        interpolate: bool,
    ) -> Baselines:
        """Baselines that were taken as `test` was: those named of the job, or the newest stored.

        A stored baseline must be older than the test capture, so that reducing again later finds
        the same one. max_age_s: greatest age, None for any. interpolate: whether it may have been
        taken on another grid. Raises NormalisationRefused naming how the nearest candidate
        differs, ReductionRefused where a named one is not there.
        """
        fit = _Fit(test, max_age_s, interpolate, self.step)
        found = Baselines()
        for one in wanted:
            if one.name == NEWEST:
                capture = self._newest(one.role, fit)
            else:
                capture = self.named(one.name)
                fit.require(capture, one.role)
            (found.closing if one.is_closing else found.opening)[one.role] = capture
        return found

    def _newest(self, role: str, fit: _Fit) -> Capture:
        test = fit.test
        rows = [
            row
            for row in self.archive.captures(
                bench=test.bench, route=test.route, role=Role(role), limit=LOOKED_AT
            )
            if row.taken_at <= test.taken_at and PATH_BROKEN not in row.flags
        ]
        refusal: list[str] = []
        for row in rows:
            capture = row.load()
            apart = fit.differences(capture)
            if not apart:
                return capture
            refusal = refusal or apart
        if not rows:
            refusal = [f"there is no stored {role} capture of the route {test.route}"]
        raise NormalisationRefused(
            [f"{role} baseline: {sentence}" for sentence in refusal],
            where=self.step,
            advice="Run an open-and-short baseline with the settings of this capture first.",
        )


@dataclass(frozen=True)
class _Fit:
    """Compares baselines with one capture: whether they were taken the same way."""

    test: Capture
    max_age_s: float | None
    interpolate: bool
    step: str

    def differences(self, baseline: Capture) -> list[str]:
        """The differences between the baseline and the capture, one sentence each."""
        return differences(
            description(baseline),
            description(self.test),
            max_age_s=self.max_age_s,
            other_grid=self.interpolate,
        )

    def require(self, baseline: Capture, role: str) -> None:
        """Raise NormalisationRefused if the baseline differs from the capture in any way."""
        apart = self.differences(baseline)
        if apart:
            raise NormalisationRefused(
                [f"{role} baseline {baseline.id}: {sentence}" for sentence in apart],
                where=self.step,
            )


def newest_test_of(
    known: BenchKnowledge, antenna: str, *, before: Capture, route_kind: str
) -> list[StoredCapture]:
    """Stored test captures of an antenna on routes of one kind, newest first."""
    return [
        row
        for row in known.archive.captures(
            bench=before.bench, role=Role.TEST, antenna=antenna, limit=LOOKED_AT
        )
        if row.taken_at <= before.taken_at
        and PATH_BROKEN not in row.flags
        and row.route in known.bench.routes
        and known.bench.routes[row.route].kind == route_kind
    ]
