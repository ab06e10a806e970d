"""`benchd compare`, `history` and overlays: what stands for a side, and what a difference says."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from benchd.results import Result

JOB = "job-0000000000000001"
SECOND = "job-0000000000000002"
CAPTURE = "cap-0000000000000001"


def _difference(name: str, low: float | None, high: float | None, *flags: str) -> Result:
    value = 0.0 if low is None or high is None else (low + high) / 2
    note = f"Seen. dipole r3 in {JOB} was the first."
    return Result(
        f"{name}_difference", value, "dB", None, None, low, high, 1.7e9, antenna="dipole r4",
        flags=flags, note=note,
    )  # fmt: skip


@pytest.fixture
def two(api: Any, fakes: Any) -> Any:
    """A dipole and its next revision, each measured in a job of its own."""
    api.desk.add(JOB, "done")
    api.desk.add(SECOND, "done", title="Another look")
    api.desk.reduced[SECOND] = [
        replace(one, result=replace(one.result, antenna="dipole r4"))
        for one in fakes.records(SECOND)
    ]
    return api


def test_each_difference_says_whether_it_is_one(two: Any, benchd: Any) -> None:
    two.desk.past.differences = [
        _difference("return_loss", 0.2, 0.9),
        _difference("mismatch_loss", -0.3, 0.1),
        _difference("vswr", -0.9, -0.2),
        _difference("reflection_magnitude", 0.1, None),
        _difference("loaded_q", -0.1, None),
        _difference("bandwidth", 0.2, 0.9, "path-broken"),
    ]
    two.desk.past.refused = [("realised_gain", "there is no stored realised_gain to compare")]
    found = json.loads(benchd("compare", "dipole r3", "dipole r4", "--json", api=two).out)
    assert [one["said"] for one in found["differences"]] == [
        "differs", "no difference shown", "differs", "differs", "cannot tell", "cannot tell",
    ]  # fmt: skip
    text = benchd("compare", "dipole r3", "dipole r4", api=two).out
    assert text.startswith("First: dipole r3. Second: dipole r4.\n")
    assert "Return loss: Seen.\n" in text
    assert text.count("was the first.") == 1


def test_nothing_in_common_cannot_be_told_and_says_why(two: Any, benchd: Any) -> None:
    two.desk.past.refused = [("vswr", "there is no stored vswr"), ("gain", "there is no gain")]
    text = benchd("compare", "dipole r3", "dipole r4", api=two).out
    assert text.splitlines()[1:] == [
        "Cannot tell: there is no stored vswr.", "Cannot tell: there is no gain.",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("sides", "asked"),
    [
        ((JOB, SECOND), ("dipole r3", "dipole r4", JOB, SECOND)),
        ((CAPTURE, "dipole r4"), ("dipole r3", "dipole r4", JOB, None)),
        (("dipole r4", JOB), ("dipole r4", "dipole r3", None, JOB)),
    ],
)
def test_a_side_is_an_antenna_a_job_or_a_capture(
    two: Any, benchd: Any, sides: tuple[str, str], asked: tuple[str | None, ...]
) -> None:
    assert benchd("compare", *sides, api=two).code == 0
    assert two.desk.past.asked == [(*asked, None)]


def test_an_antenna_beside_a_job_of_its_own_stands_for_its_other_job(
    two: Any, benchd: Any, fakes: Any
) -> None:
    two.desk.reduced[SECOND] = fakes.records(SECOND)
    benchd("compare", "dipole r3", JOB, "--quantity", "return_loss", api=two)
    assert two.desk.past.asked == [("dipole r3", "dipole r3", SECOND, JOB, "return_loss")]


@pytest.mark.parametrize(
    ("sides", "words"),
    [
        (("dipole r3", "dipole r3"), 'both are "dipole r3". Name two jobs of it'),
        ((JOB, JOB), f"both are dipole r3 in {JOB}. Name two jobs"),
        (("job-9", JOB), 'there is no job "job-9".'),
        (("cap-9", JOB), 'there is no capture "cap-9".'),
    ],
)
def test_sides_that_are_not_clear_are_refused(
    two: Any, benchd: Any, sides: tuple[str, str], words: str
) -> None:
    outcome = benchd("compare", *sides, api=two)
    assert (outcome.code, outcome.out) == (1, "")
    assert outcome.err.startswith(words)


def test_jobs_of_several_antennas_ask_which(two: Any, benchd: Any, fakes: Any) -> None:
    both = fakes.records(SECOND)
    both += [replace(one, result=replace(one.result, antenna="yagi r2")) for one in both]
    two.desk.reduced[SECOND] = both
    third = JOB[:-1] + "3"
    two.desk.add(third, "done")
    two.desk.reduced[third] = both
    outcome = benchd("compare", SECOND, third, api=two)
    assert outcome.err == (
        "they have results of several antennas: dipole r3, yagi r2. Say which: --antenna NAME.\n"
    )
    assert benchd("compare", SECOND, third, "--antenna", "yagi r2", api=two).code == 0
    assert benchd("compare", SECOND, JOB, api=two).code == 0
    assert [one[:4] for one in two.desk.past.asked] == [
        ("yagi r2", "yagi r2", SECOND, third), ("dipole r3", "dipole r3", SECOND, JOB),
    ]  # fmt: skip


def test_a_story_tells_each_revision(two: Any, benchd: Any) -> None:
    text = benchd("history", "dipole r3", api=two).out
    assert text.startswith("dipole\n")
    rows = [line.split()[:2] for line in text.splitlines() if line.startswith("dipole r")]
    assert rows == [["dipole", "r3"], ["dipole", "r4"]] * 2
    assert "Return loss at least 10 dB at 1.7 GHz: pass" in " ".join(text.split())
    assert "20.0 dB, 18.4 to 21.9 dB" in " ".join(text.split())
    assert benchd("history", "nobody/else ?", api=two).err.startswith("there is no antenna")


def test_several_are_drawn_over_each_other(two: Any, benchd: Any, tmp_path: Path) -> None:
    outcome = benchd("plot", JOB, "dipole r4", CAPTURE, "--out", str(tmp_path), api=two)
    names = ("overlay-return-loss", "overlay-levels")
    assert outcome.out.splitlines() == [
        str(tmp_path / f"{name}.{ending}") for name in names for ending in ("png", "svg")
    ]
    svg = (tmp_path / "overlay-return-loss.svg").read_text(encoding="utf-8")
    assert svg.count(">dipole r3</text>") == 2, "above the picture, and below it beside its line"
    assert re.search(rf"bench workshop\s+·\s+job {JOB}, ", svg), "the jobs stand at the foot"
    outcome = benchd("plot", "nobody", JOB, "--out", str(tmp_path), api=two)
    assert (outcome.code, outcome.out) == (1, "")
    assert outcome.err.startswith('"nobody" is no job and no capture')
