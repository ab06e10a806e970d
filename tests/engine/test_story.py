"""An antenna's story: assembled from the register, results and verdicts, and from nothing else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import pytest

from benchd.bench.antennas import Antenna
from benchd.engine.story import RunMemory, Story, overview, story_of
from benchd.results import Result, ResultRecord, Verdict

START = datetime(2026, 3, 1, 21, 0, tzinfo=UTC)


@dataclass
class Kept:
    """Results and verdicts in memory, asked as the store is."""

    records: list[ResultRecord] = field(default_factory=list)
    found: dict[str, list[Verdict]] = field(default_factory=dict)

    def measure(self, antenna: str, job: str, day: int, *results: Result) -> None:
        for number, result in enumerate(results):
            self.records.append(
                ResultRecord(
                    id=f"res-{job}-{number}", bench="workshop", job_id=job, step="reflection",
                    recipe="return-loss", recipe_hash="", worksheet_hash="", instruments={},
                    reduced_at=START + timedelta(days=day), result=result,
                )
            )  # fmt: skip

    def results(
        self,
        job_id: str | None = None,
        quantity: str | None = None,
        antenna: str | None = None,
        limit: int | None = None,
        *,
        bench: str | None = None,
    ) -> Sequence[ResultRecord]:
        there = [
            one
            for one in self.records
            if (antenna is None or one.result.antenna == antenna)
            and (bench is None or one.bench == bench)
        ]
        return sorted(there, key=lambda one: one.reduced_at, reverse=True)[:limit]

    def verdicts_of(self, job_ids: Sequence[str]) -> dict[str, list[Verdict]]:
        return {job_id: self.found.get(job_id, []) for job_id in job_ids}

    def measured_antennas(self, bench: str) -> Sequence[str]:
        return list(dict.fromkeys(str(one.result.antenna) for one in self.records))


def dipole(arm: str) -> Antenna:
    return Antenna.model_validate({
        "design_frequency": "1.7 GHz", "largest_dimension": "84 mm", "trim": {"arm": arm},
    })  # fmt: skip


def of(antenna: str, quantity: str, value: float, unit: str, at_hz: float | None = None) -> Result:
    size = 0.01 * abs(value)
    return Result(
        quantity, value, unit, size, 2.0, value - size, value + size, at_hz, antenna=antenna
    )


ANTENNAS = {"dipole r3": dipole("41.8 mm"), "dipole r4": dipole("41.2 mm")}


def test_a_story_tells_of_each_revision_what_was_changed_said_done_and_found() -> None:
    kept = Kept()
    kept.measure(
        "dipole r3", "job-1", 0,
        of("dipole r3", "resonance_frequency", 1.6837e9, "Hz"),
        of("dipole r3", "trim_per_arm", 0.00041, "m", 1.7e9),
    )  # fmt: skip
    kept.measure(
        "dipole r4", "job-2", 1, of("dipole r4", "resonance_frequency", 1.701e9, "Hz")
    )  # fmt: skip
    story = story_of("dipole r4", ANTENNAS, kept, bench="workshop")
    assert (story.name, story.antenna) == ("dipole", "dipole r4")
    first, second = story.revisions
    assert (first.antenna, first.revision, first.changes, first.trimmed) == (
        "dipole r3", "r3", (), None,
    )  # fmt: skip
    assert [one.text for one in second.changes] == ["arm from 41.8 mm to 41.2 mm, 0.60 mm less"]
    assert second.trimmed is not None
    assert second.trimmed.said is not None
    assert second.trimmed.said.value == 0.00041
    assert second.trimmed.done_m is not None
    assert abs(second.trimmed.done_m - 0.0006) < 1e-12
    assert "done: 0.60 mm off" in second.trimmed.text
    assert second.newest["resonance_frequency"].text == "1.701 GHz, 1.684 to 1.718 GHz"
    assert [one["name"] for one in story.quantities] == ["resonance_frequency", "trim_per_arm"]


def test_of_several_frequencies_the_one_nearest_to_the_design_frequency_counts() -> None:
    kept = Kept()
    kept.measure(
        "dipole r3", "job-1", 0,
        *(of("dipole r3", "return_loss", value, "dB", at_hz)
          for value, at_hz in ((8.0, 1.6e9), (14.0, 1.69e9), (9.0, 1.8e9))),
    )  # fmt: skip
    told = story_of("dipole r3", ANTENNAS, kept, bench="workshop").revisions[0].newest
    assert (told["return_loss"].value, told["return_loss"].where) == (14.0, "1.69 GHz")


def test_the_newest_value_counts_and_an_older_one_stays_where_there_is_no_newer() -> None:
    kept = Kept()
    kept.measure(
        "dipole r3", "job-1", 0,
        of("dipole r3", "resonance_frequency", 1.68e9, "Hz"),
        of("dipole r3", "realised_gain", 2.0, "dBi", 1.7e9),
    )  # fmt: skip
    kept.measure("dipole r3", "job-2", 1, of("dipole r3", "resonance_frequency", 1.69e9, "Hz"))
    revision = story_of("dipole r3", ANTENNAS, kept, bench="workshop").revisions[0]
    assert {name: told.job for name, told in revision.newest.items()} == {
        "resonance_frequency": "job-2",
        "realised_gain": "job-1",
    }
    assert [run.job for run in revision.runs] == ["job-2", "job-1"]
    assert (revision.first_at, revision.last_at) == (START, START + timedelta(days=1))


def test_a_limit_is_told_once_as_the_newest_job_found_it_and_only_for_this_antenna() -> None:
    kept = Kept()
    for number, (day, outcome) in enumerate(((0, "fail"), (1, "pass-marginal"))):
        result = of("dipole r3", "return_loss", 9.0 + day, "dB", 1.7e9)
        kept.measure("dipole r3", f"job-{number}", day, result)
        foreign = of("yagi r2", "return_loss", 3.0, "dB", 1.7e9)
        kept.found[f"job-{number}"] = [
            Verdict("return_loss", outcome, 0.0, "at least 10 dB", result),  # type: ignore[arg-type]
            Verdict("return_loss", "fail", 0.0, "at least 4 dB", foreign),
            Verdict("bandwidth", "cannot-tell", None, "at least 90 MHz"),
        ]
    limits = story_of("dipole r3", ANTENNAS, kept, bench="workshop").revisions[0].limits
    assert [(one.limit, one.passed, one.job) for one in limits] == [
        ("at least 10 dB", True, "job-1"),
        ("at least 90 MHz", None, "job-1"),
    ]


def test_an_antenna_that_stands_in_no_register_any_more_keeps_its_story() -> None:
    kept = Kept()
    kept.measure("dipole r2", "job-1", 0, of("dipole r2", "resonance_frequency", 1.6e9, "Hz"))
    story = story_of("dipole r2", ANTENNAS, kept, bench="workshop")
    assert [(one.antenna, one.registered) for one in story.revisions] == [
        ("dipole r2", False), ("dipole r3", True), ("dipole r4", True),
    ]  # fmt: skip
    assert story.revisions[1].changes == ()
    assert story_of("never heard of", ANTENNAS, kept, bench="workshop").revisions == ()


def test_differences_of_revisions_are_no_reading_of_either() -> None:
    kept = Kept()
    kept.measure("dipole r3", "job-1", 0, of("dipole r3", "return_loss_difference", 2.0, "dB"))
    assert story_of("dipole r3", ANTENNAS, kept, bench="workshop").revisions[0].newest == {}


def test_the_overview_has_each_antenna_once_and_says_what_was_measured() -> None:
    kept = Kept()
    kept.measure("dipole r4", "job-1", 0, of("dipole r4", "vswr", 1.5, "1", 1.7e9))
    assert overview(ANTENNAS, kept, bench="workshop") == [
        {"name": "dipole", "antennas": ("dipole r3", "dipole r4"), "measured": ["dipole r4"],
         "design": "1.7 GHz"},
    ]  # fmt: skip


def looked(kept: Kept, number: int, resonance_hz: float, removed_m: float | None) -> None:
    """One look of a trim session, its results as a session stores them."""
    results = [
        of("dipole r3", "resonance_frequency", resonance_hz, "Hz"),
        of("dipole r3", "trim_per_arm", (1.7e9 - resonance_hz) * 25e-12, "m", 1.7e9),
    ]
    if removed_m is not None:
        results.append(of("dipole r3", "removed_length", removed_m, "m"))
    before = len(kept.records)
    kept.measure("dipole r3", "job-7", number, *results)
    kept.records[before:] = [
        replace(one, step=f"look {number}", id=f"{one.id}-{number}", recipe="trim-session")
        for one in kept.records[before:]
    ]


def test_a_trim_session_is_told_with_its_looks_and_what_they_said_and_did() -> None:
    kept = Kept()
    looked(kept, 1, 1.652e9, None)
    looked(kept, 2, 1.675e9, 0.6e-3)
    looked(kept, 3, 1.699e9, 0.5e-3)
    story = story_of("dipole r3", ANTENNAS, kept, bench="workshop")
    (session,) = story.revisions[0].sessions
    assert session.text == ("3 looks, 1.1 mm off each arm; resonance from 1.652 GHz to 1.699 GHz")
    assert [one.value for one in session.resonances] == [1.652e9, 1.675e9, 1.699e9]
    assert session.all_typed
    assert session.said is not None
    assert session.left is not None
    assert session.said.value == pytest.approx(1.2e-3)
    assert session.left.value == pytest.approx(0.025e-3)
    # The next revision is held against what was said before anything was taken off.
    trimmed = story.revisions[1].trimmed
    assert trimmed is not None
    assert trimmed.said == session.said


def test_a_length_that_nobody_typed_in_is_told_as_that() -> None:
    kept = Kept()
    looked(kept, 1, 1.652e9, None)
    looked(kept, 2, 1.675e9, None)
    looked(kept, 3, 1.699e9, 0.5e-3)
    (session,) = story_of("dipole r3", ANTENNAS, kept, bench="workshop").revisions[0].sessions
    assert not session.all_typed
    assert session.text.startswith("3 looks, 0.50 mm off each arm and what was not typed in;")


def test_a_look_that_was_taken_anew_counts_once_with_its_newer_results() -> None:
    kept = Kept()
    looked(kept, 1, 1.652e9, None)
    looked(kept, 2, 1.660e9, 0.2e-3)
    again = kept.records[-3:]
    kept.records += [
        replace(one, id=f"{one.id}-again", reduced_at=one.reduced_at + timedelta(hours=1))
        for one in again
    ]
    (session,) = story_of("dipole r3", ANTENNAS, kept, bench="workshop").revisions[0].sessions
    assert (session.looks, session.removed_m) == (2, pytest.approx(0.2e-3))


def test_what_was_measured_before_a_cut_stands_beside_nothing_that_came_after() -> None:
    kept = Kept()
    kept.measure(
        "dipole r3", "job-1", 0,
        of("dipole r3", "resonance_frequency", 1.652e9, "Hz"),
        of("dipole r3", "vswr", 1.83, "1", 1.7e9),
    )  # fmt: skip
    kept.found["job-1"] = [Verdict("vswr", "pass", 0.0, "at most 2", None)]
    looked(kept, 1, 1.652e9, None)
    uncut = story_of("dipole r3", ANTENNAS, kept, bench="workshop").revisions[0]
    assert uncut.newest["vswr"].value == 1.83
    assert [one.limit for one in uncut.limits] == ["at most 2"]
    looked(kept, 2, 1.675e9, 0.6e-3)
    cut = story_of("dipole r3", ANTENNAS, kept, bench="workshop").revisions[0]
    assert cut.newest["resonance_frequency"].value == 1.675e9
    assert ("vswr" in cut.newest, cut.limits) == (False, ())
    assert "removed_length" not in cut.newest, "one cut of several is not what was taken off"
    assert [run.job for run in cut.runs][-1] == "job-1"
    kept.measure("dipole r3", "job-9", 9, of("dipole r3", "vswr", 1.2, "1", 1.7e9))
    again = story_of("dipole r3", ANTENNAS, kept, bench="workshop").revisions[0]
    assert again.newest["vswr"].value == 1.2
    assert again.newest["resonance_frequency"].value == 1.675e9


def test_a_story_told_again_is_the_same_until_something_changed() -> None:
    kept, memory = Kept(), RunMemory()
    kept.measure(
        "dipole r3", "job-1", 0,
        *(of("dipole r3", "return_loss", value, "dB", at_hz)
          for value, at_hz in ((8.0, 1.6e9), (14.0, 1.69e9))),
    )  # fmt: skip

    def told(antennas: Mapping[str, Antenna]) -> Story:
        return story_of("dipole r3", antennas, kept, bench="workshop", memory=memory)

    first = told(ANTENNAS).revisions[0]
    assert told(ANTENNAS).revisions[0].runs[0] is first.runs[0]
    # Of another design frequency another result counts.
    other = {"dipole r3": ANTENNAS["dipole r3"].model_copy(update={"design_frequency_hz": 1.6e9})}
    assert told(other).revisions[0].newest["return_loss"].value == 8.0
    # A job that was reduced further has more to tell.
    kept.measure("dipole r3", "job-1", 1, of("dipole r3", "bandwidth", 9e7, "Hz"))
    assert set(told(ANTENNAS).revisions[0].newest) == {"return_loss", "bandwidth"}
    assert told(ANTENNAS) == story_of("dipole r3", ANTENNAS, kept, bench="workshop")
