"""What is known of the bench itself: baselines with their age, and every qualification in turn."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from benchd.bench import Bench, load_bench
from benchd.engine.benchstory import baselines, kinds, qualified
from benchd.results import Result, ResultRecord
from benchd.store import Store
from benchd.traces import PATH_BROKEN, Role
from tests.engine.office import ROOT
from tests.store import examples

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def bench() -> Bench:
    return load_bench(ROOT / "recipes" / "benches" / "workshop.yaml")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "benchd.sqlite") as opened:
        yield opened


def captured(store: Store, role: Role, age: timedelta, **changes: Any) -> str:
    job = store.add_job(examples.worksheet())
    capture = examples.capture(
        job.id, **{"role": role, "antenna": None, "taken_at": NOW - age, "flags": (), **changes}
    )
    store.commit_capture(capture, step_index_after=None)
    return capture.id


def qualify(
    store: Store, at: datetime, kind: str, verdict: float, parts: Mapping[str, str], *found: Result
) -> str:
    job = store.add_job(examples.worksheet())
    capture = examples.capture(job.id, role=Role.OPEN, fixtures=dict(parts), antenna=None)
    store.commit_capture(capture, step_index_after=None)
    said = Result(f"{kind}_verdict", verdict, "1", None, None, note="In words.")
    records = [
        ResultRecord(
            id=f"res-{job.id}-{number}", bench="workshop", job_id=job.id, step=kind, recipe=kind,
            recipe_hash="", worksheet_hash="", instruments={}, reduced_at=at,
            result=replace(result, captures=(capture.id,)),
        )
        for number, result in enumerate((said, *found))
    ]  # fmt: skip
    store.commit_results(job.id, kind, records, step_index_after=None)
    return job.id


def test_of_baselines_taken_alike_the_newest_counts_with_its_age_and_drift(
    bench: Bench, store: Store
) -> None:
    captured(store, Role.OPEN, timedelta(hours=30), position="open")
    newest = captured(store, Role.OPEN, timedelta(hours=4), position="open")
    captured(store, Role.OPEN, timedelta(minutes=1), position="open", flags=(PATH_BROKEN,))
    other = examples.capture("x").settings.model_copy(update={"points": 801})
    wide = captured(store, Role.OPEN, timedelta(hours=6), position="open", settings=other)
    captured(store, Role.TEST, timedelta(minutes=5))
    captured(store, Role.OPEN, timedelta(minutes=5), route="a route that was taken out")
    found = baselines(bench, store, NOW)
    assert [one.capture for one in found] == [newest, wide]
    first = found[0]
    assert first.age_s == 4 * 3600.0
    # 0.02 dB of the source and 0.04 dB of the analyzer an hour; beyond it in proportion to time.
    assert first.drift_db == pytest.approx(4 * 0.06)
    assert first.text == "4 h 00 min old; may have drifted by 0.24 dB"
    assert (first.sweep, found[1].sweep) == (
        "1.45 to 1.95 GHz, 201 points",
        "1.45 to 1.95 GHz, 801 points",
    )


def test_a_baseline_older_than_the_watch_over_time_allows_says_so(
    bench: Bench, store: Store
) -> None:
    captured(store, Role.SHORT, timedelta(hours=4))
    allowed = Result("max_age", 2 * 3600.0, "s", None, None)
    qualify(store, NOW, "drift", 1.0, {}, allowed)
    (found,) = [one for one in baselines(bench, store, NOW) if one.role == "short"]
    assert found.max_age_s == 7200.0
    assert found.text.endswith("older than the 2 h 00 min that the watch over time allows")


def test_runs_of_a_qualification_come_newest_first_and_say_what_was_changed_between(
    bench: Bench, store: Store
) -> None:
    early, late = NOW - timedelta(days=9), NOW - timedelta(days=1)
    before = qualify(store, early, "leakage", 0.0, {"box": "old", "cable": "same"})
    after = qualify(store, late, "leakage", 1.0, {"box": "new", "cable": "same"})
    doubtful = qualify(store, NOW, "leakage", float("0.5"), {"box": "new", "cable": "same"})
    found = [one for one in qualified(bench, store) if one.kind == "leakage"]
    assert [(one.job, one.verdict, one.changed) for one in found] == [
        (doubtful, "cannot tell", ()),
        (after, "good enough", ("box",)),
        (before, "not good enough", ()),
    ]
    assert {one.note for one in found} == {"In words."}
    assert {one.words for one in found} == {"Leakage"}


def test_of_several_frequencies_the_worst_is_told_whichever_way_that_lies(
    bench: Bench, store: Store
) -> None:
    def at(name: str, value: float, at_hz: float) -> Result:
        return Result(name, value, "dB", 1.0, 2.0, value - 1.0, value + 1.0, at_hz)

    qualify(
        store, NOW, "coupler", 1.0, {},
        at("effective_directivity", 38.0, 1.6e9), at("effective_directivity", 31.0, 1.7e9),
    )  # fmt: skip
    qualify(
        store, NOW, "comparison", 0.0, {},
        at("difference", 0.2, 1.6e9), at("difference", -1.5, 1.7e9),
    )  # fmt: skip
    qualify(
        store, NOW, "reflectivity", 1.0, {},
        at("reflected_level", -38.0, 1.6e9), at("reflected_level", -22.0, 1.7e9),
    )  # fmt: skip
    told = {one.kind: one.found[0] for one in qualified(bench, store)}
    assert {kind: (one.value, one.where) for kind, one in told.items()} == {
        "coupler": (31.0, "1.7 GHz"),
        "comparison": (-1.5, "1.7 GHz"),
        "reflectivity": (-22.0, "1.7 GHz"),
    }
    assert told["coupler"].text == "31.0 dB, 30.0 to 32.0 dB"


def test_every_kind_that_gives_a_verdict_is_asked_for() -> None:
    assert kinds() == (
        "coupler", "repeatability", "comparison", "leakage", "stillness", "reflectivity", "drift",
    )  # fmt: skip
