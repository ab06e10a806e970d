"""`benchd rehearse` and `benchd move`."""

from __future__ import annotations

import json
from typing import Any

import pytest

JOB = "job-0000000000000001"


def test_a_rehearsal_tells_when_each_job_would_run_and_which_is_missed(
    api: Any, benchd: Any
) -> None:
    api.desk.timezone = "Europe/Vienna"
    api.desk.add(JOB)
    api.desk.add("job-0000000000000002", priority=-2)
    api.desk.late = True
    found = benchd("rehearse", api=api)
    assert found.code == 0
    lines = found.out.splitlines()
    assert any(JOB in line and "2026-03-01 22:04" in line for line in lines)
    assert "would miss its window" in found.out.replace("\n", " ")
    assert lines[-1] == "2 wait."
    document = json.loads(benchd("rehearse", "--json", api=api).out)
    assert [one["outcome"] for one in document["jobs"]] == ["runs", "missed"]


def test_the_job_under_way_is_named_though_it_waits_no_more(api: Any, benchd: Any) -> None:
    api.desk.add(JOB, "needs-hands")
    api.desk.add("job-0000000000000002")
    assert benchd("rehearse", api=api).out.splitlines()[-2:] == [
        f"Ahead of them {JOB} is under way, about 38 s left without your own time.", "1 wait.",
    ]  # fmt: skip


def test_an_empty_queue_is_said(api: Any, benchd: Any) -> None:
    assert benchd("rehearse", api=api).out == "0 wait.\n"


@pytest.mark.parametrize(
    ("options", "order"),
    [(["--before", "job-2"], ("move", JOB, "job-2")), (["--first"], ("move first", JOB)),
     (["--last"], ("move", JOB, None)), (["--priority", "7"], ("priority", JOB, 7))],
)  # fmt: skip
def test_a_job_is_moved(api: Any, benchd: Any, options: list[str], order: Any) -> None:
    assert benchd("move", JOB, *options, api=api).code == 0
    assert api.desk.orders == [order]


@pytest.mark.parametrize("options", [[], ["--first", "--last"], ["--first", "--priority", "1"]])
def test_a_move_says_where_to_once(api: Any, benchd: Any, options: list[str]) -> None:
    found = benchd("move", JOB, *options, api=api)
    assert found.code == 1
    assert "Give one of --before JOB, --first, --last, --priority N." in found.err
    assert api.desk.orders == []
