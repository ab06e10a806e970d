"""`benchd batch`: a job for each serial number, and the table of what came out."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from benchd.cli.serial_numbers import read_serials
from benchd.errors import OrderRefused, UserError


@pytest.mark.parametrize(
    ("text", "serials"),
    [
        ("001-003", ["001", "002", "003"]),
        ("8-11", ["8", "9", "10", "11"]),
        ("A98-A101,B7", ["A98", "A99", "A100", "A101", "B7"]),
        ("A1-3", ["A1", "A2", "A3"]),
        (" 7 , 9,", ["7", "9"]),
        ("lot 4/7", ["lot 4/7"]),
        ("A1-B3", ["A1-B3"]),
    ],
)
def test_serial_numbers_as_people_write_them(text: str, serials: list[str]) -> None:
    assert read_serials(text, None) == serials


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("020-001", '"020-001" counts down.'),
        ("1-100000", '"1-100000" is 100000 serial numbers; a batch holds 500.'),
        ("1,2,1", 'the serial number "1" is given twice.'),
        ("a;b", '"a;b" is no serial number'),
        (",", "there is no serial number."),
        ("x" * 41, "is no serial number"),
        ("٣", "is no serial number"),
    ],
)
def test_what_is_no_serial_number_is_refused(text: str, words: str) -> None:
    with pytest.raises(UserError) as refusal:
        read_serials(text, None)
    assert words in str(refusal.value)


def test_a_file_holds_one_on_each_line(tmp_path: Path) -> None:
    file = tmp_path / "serials.txt"
    file.write_text("2026-001  # first\n\n# none here\n2026-002\n")
    assert read_serials(None, file) == ["2026-001", "2026-002"]
    with pytest.raises(UserError, match="cannot read"):
        read_serials(None, tmp_path / "nothing")
    with pytest.raises(UserError, match="either by --serials or by"):
        read_serials("1", file)


def test_each_number_becomes_a_job_of_the_batch(api: Any, benchd: Any) -> None:
    outcome = benchd(
        "batch", "return-loss", "--antenna", "patch r5", "--serials", "001-003",
        "-p", "points=51", "--priority", "2", "--json", api=api,
    )  # fmt: skip
    queued = json.loads(outcome.out)
    assert [job["serial"] for job in queued] == ["001", "002", "003"]
    assert len({job["batch"] for job in queued}) == 1
    requests = [(order[2], order[3]) for order in api.desk.orders]
    assert {request.priority for _, request in requests} == {2}
    assert [arguments for arguments, _ in requests] == [{"antenna": "patch r5", "points": "51"}] * 3
    shown = benchd("jobs", api=api).out
    assert "return-loss, serial 002" in shown


def test_what_is_refused_names_what_was_queued_before(api: Any, benchd: Any) -> None:
    outcome = benchd("batch", "nothing", "--antenna", "patch r5", "--serials", "1,2", api=api)
    assert (outcome.code, outcome.out) == (1, "")
    assert outcome.err.startswith('there is no recipe "nothing".')
    queue, orders = api.desk.queue, api.desk.orders

    async def one_only(*given: Any, **more: Any) -> Any:
        if orders:
            raise OrderRefused("1 job waits already")
        return await queue(*given, **more)

    api.desk.queue = one_only
    told = benchd("batch", "return-loss", "--antenna", "patch r5", "--serials", "1-3", api=api).err
    assert "Queued before that: 1." in told
    assert "Not queued, as far as is known: 2, 3." in told
    assert f"with --into {orders[0][3].batch}." in " ".join(told.split())


def test_the_table_has_values_verdicts_and_spread(api: Any, benchd: Any, fakes: Any) -> None:
    for number, loss_db in enumerate((18.0, 20.0, 22.0), 1):
        job = f"job-000000000000000{number}"
        api.desk.add(job, "done", serial=f"00{number}", batch="batch-a")
        records = [replace(one, bindings={"serial": f"00{number}"}) for one in fakes.records(job)]
        loss = replace(records[1].result, value=loss_db, low=loss_db - 2, high=loss_db + 3)
        records[1] = replace(records[1], result=loss)
        api.desk.reduced[job] = records
    api.desk.add("job-0000000000000004", "withdrawn", serial="004", batch="batch-a")
    words = " ".join(benchd("batch-table", "batch-a", api=api).out.split())
    assert "batch-a, return-loss, dipole r3" in words
    assert "002 20.0 dB, 18.0 to 23.0 dB pass" in words
    assert "Mean 20.0 dB Standard deviation 2.0 dB Least 18.0 dB Greatest 22.0 dB" in words
    assert "3 serial numbers: 3 passed, 0 failed." in words
    found = json.loads(benchd("batch-table", "batch-a", "--json", api=api).out)
    assert found["spread"][0]["mean"] == 20.0
    told = benchd("results", "--job", "job-0000000000000002", api=api).out
    assert "dipole r3, serial 002" in " ".join(told.split())
    only = benchd("batch-table", "batch-a", "--quantity", "resonance_frequency", api=api).out
    assert "1.6837 GHz" in only
    assert benchd("batch-table", "batch-b", api=api).err.startswith('there is no batch "batch-b".')


def test_the_report_of_a_batch_is_its_table(
    api: Any, benchd: Any, fakes: Any, tmp_path: Path
) -> None:
    job = "job-0000000000000001"
    api.desk.add(job, "done", serial="007", batch="batch-a")
    out = tmp_path / "r.html"
    assert benchd("report", "batch-a", "--out", str(out), api=api).code == 0
    text = out.read_text(encoding="utf-8")
    assert "<td>007</td>" in text
    assert "<td>Standard deviation</td><td></td>" in text  # one alone has none
    assert "1 passed, 0 failed" in text
