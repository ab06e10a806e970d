"""Every address of the API over a real socket, and the forms of its answers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from structlog.testing import capture_logs

from benchd.job_request import JobRequest, RecipeSource
from benchd.web import documents
from benchd.wording import result_text

JOB = "job-0000000000000001"

START = datetime(2026, 3, 1, 21, 4, 5, tzinfo=UTC)


async def test_a_recipe_is_queued_by_name_with_its_window(api: Any) -> None:
    body = {
        "recipe": "return-loss",
        "arguments": {"antenna": "dipole r3", "centre": "1.7 GHz"},
        "priority": 5,
        "not_before": "2026-03-01T22:00:00+01:00",
        "finish_by": "2026-03-02T05:00:00Z",
    }
    answer = await api.client.post("/api/jobs", json=body)
    assert answer.status_code == 201
    assert answer.headers["location"] == f"/api/jobs/{JOB}"
    assert answer.json() == {
        "id": JOB,
        "bench": "workshop",
        "recipe": "return-loss",
        "title": "Return loss of one antenna",
        "worksheet_hash": "feed",
        "state": "waiting",
        "priority": 5,
        "created_at": "2026-03-01T21:04:05.250000Z",
        "not_before": "2026-03-01T21:00:00Z",
        "finish_by": "2026-03-02T05:00:00Z",
        "started_at": None,
        "ended_at": None,
        "step_index": 0,
        "steps_total": 4,
        "expected_s": 38.0,
        "interruptions": 0,
        "message": "",
        "error": None,
        "hands": None,
        "withdraw_ordered_at": None,
        "put_back_at": None,
        "answer": None,
        "progress": 0.0,
    }
    assert api.desk.orders[0][:3] == (
        "queue", RecipeSource("return-loss"), {"antenna": "dipole r3", "centre": "1.7 GHz"},
    )  # fmt: skip


async def test_a_recipe_is_queued_as_text(api: Any) -> None:
    body = {"text": "recipe: mine\n", "file": "mine.yaml", "arguments": {"antenna": "yagi r2"}}
    answer = await api.client.post("/api/jobs", json=body)
    assert answer.status_code == 201
    source = RecipeSource(text="recipe: mine\n", file="mine.yaml")
    expected = ("queue", source, {"antenna": "yagi r2"}, JobRequest())
    assert api.desk.orders == [expected]


async def test_a_check_answers_with_the_worksheet_and_queues_nothing(api: Any) -> None:
    answer = await api.client.post("/api/check", json={"recipe": "return-loss"})
    assert answer.status_code == 200
    document = answer.json()
    assert [step["kind"] for step in document["steps"]] == ["hands", "capture", "reduce", "accept"]
    assert document == documents.encode(await api.desk.check(RecipeSource("return-loss"), {}))
    assert api.desk.rows == {}


async def test_jobs_are_listed_newest_first_and_by_state(api: Any) -> None:
    api.desk.add("job-0000000000000001", "done", step_index=4)
    api.desk.add("job-0000000000000002", "running", step_index=1)
    api.desk.add("job-0000000000000003")
    everything = (await api.client.get("/api/jobs")).json()
    assert [(row["id"][-1], row["state"], row["progress"]) for row in everything] == [
        ("3", "waiting", 0.0),
        ("2", "running", 0.25),
        ("1", "done", 1.0),
    ]
    some = await api.client.get("/api/jobs?state=running&state=done&limit=1")
    assert [row["id"][-1] for row in some.json()] == ["2"]


async def test_ready_names_the_step_that_it_answers(api: Any) -> None:
    api.desk.add(JOB, "needs-hands", hands={"ask": "Fit the short.", "step": 4})
    other = await api.client.post(f"/api/jobs/{JOB}/ready?step=3")
    assert (other.status_code, other.json()["message"]) == (
        409, f"{JOB} asks for something else now.",
    )  # fmt: skip
    assert (await api.client.post(f"/api/jobs/{JOB}/ready?step=soon")).status_code == 422
    assert (await api.client.post(f"/api/jobs/{JOB}/ready?step=4")).status_code == 200


async def test_ready_and_withdraw_change_the_job_and_are_refused_when_out_of_place(
    api: Any,
) -> None:
    api.desk.add(JOB, "needs-hands", hands={"ask": "Fit the short."})
    ready = await api.client.post(f"/api/jobs/{JOB}/ready")
    assert (ready.status_code, ready.json()["state"]) == (200, "running")
    again = await api.client.post(f"/api/jobs/{JOB}/ready")
    assert (again.status_code, again.json()) == (
        409,
        {
            "family": "refused",
            "where": "",
            "message": f"{JOB} does not wait for a person.",
            "advice": "",
        },
    )
    withdrawn = await api.client.post(f"/api/jobs/{JOB}/withdraw")
    assert (withdrawn.status_code, withdrawn.json()["state"]) == (200, "withdrawn")
    assert (await api.client.post(f"/api/jobs/{JOB}/withdraw")).status_code == 409


async def test_results_come_back_as_they_were_with_infinite_degrees_of_freedom(
    api: Any, fakes: Any
) -> None:
    answer = await api.client.get("/api/results", params={"job": JOB, "quantity": "return_loss"})
    assert answer.json()[0]["result"]["budget"]["degrees_of_freedom"] == "Infinity"
    assert documents.decode_records(answer.json()) == [fakes.records()[1]]
    assert answer.json()[0]["result"]["text"] == result_text(fakes.records()[1].result)


async def test_reduce_answers_with_the_new_results(api: Any, fakes: Any) -> None:
    api.desk.add(JOB, "done")
    answer = await api.client.post(f"/api/jobs/{JOB}/reduce")
    assert documents.decode_records(answer.json()) == fakes.records()


async def test_verdicts_and_worksheet_of_a_job(api: Any) -> None:
    api.desk.add(JOB, "done")
    verdicts = documents.decode_verdicts((await api.client.get(f"/api/jobs/{JOB}/verdicts")).json())
    assert verdicts == await api.desk.verdicts(JOB)
    sheet = (await api.client.get(f"/api/jobs/{JOB}/worksheet")).json()
    assert sheet["title"] == "Return loss of one antenna"


async def test_a_capture_and_its_traces_come_back_bit_for_bit(api: Any, fakes: Any) -> None:
    original = fakes.capture()
    document = (await api.client.get(f"/api/captures/{original.id}")).json()
    assert document["traces"] == [{"name": "level", "form": "level_dbm", "points": 51}]
    sent = (await api.client.get(f"/api/captures/{original.id}/trace")).json()
    back = documents.decode_capture(document, [documents.decode_trace(item) for item in sent])
    assert back.level.values.tobytes() == original.level.values.tobytes()
    assert back.level.frequency_hz.tobytes() == original.level.frequency_hz.tobytes()
    assert documents.encode_capture(back) == documents.encode_capture(original)


async def test_captures_are_listed_by_role_and_without_values(api: Any) -> None:
    found = (await api.client.get("/api/captures", params={"role": "test"})).json()
    assert [(row["id"], row["role"], "traces" in row) for row in found] == [
        ("cap-0000000000000001", "test", False)
    ]
    assert (await api.client.get("/api/captures", params={"role": "short"})).json() == []


async def test_reduced_traces_of_a_job(api: Any) -> None:
    api.desk.add(JOB, "done")
    sent = (await api.client.get(f"/api/jobs/{JOB}/traces")).json()
    names = ["dipole/return_loss", "dipole/return_loss/low", "dipole/return_loss/high"]
    assert [item["name"] for item in sent] == names
    assert [item["end"] for item in sent] == ["", "low", "high"]
    of = {key: sent[1][key] for key in ("reduction", "antenna", "quantity", "part")}
    assert of == {
        "reduction": "dipole", "antenna": "dipole r3", "quantity": "return_loss", "part": "",
    }  # fmt: skip


@pytest.mark.parametrize("what", ["instruments", "recipes", "health"])
async def test_plain_readings_are_handed_on(api: Any, what: str) -> None:
    answer = await api.client.get(f"/api/{what}")
    assert answer.status_code == 200
    assert answer.json() == await getattr(api.desk, what)()


async def test_what_runs_is_told_with_its_sweep_so_far(api: Any) -> None:
    assert (await api.client.get("/api/now")).json() == {
        "job": None, "step": None, "left_s": None, "sweep": None,
    }  # fmt: skip
    api.desk.add("job-0000000000000001", "running", step_index=1)
    now = (await api.client.get("/api/now")).json()
    assert (now["job"]["id"], now["job"]["progress"]) == ("job-0000000000000001", 0.25)
    assert (now["left_s"], now["sweep"]["level_dbm"]) == (12.5, ["-Infinity"])


async def test_the_last_jobs_come_with_what_one_looks_for_first_in_words(api: Any) -> None:
    api.desk.add("job-0000000000000001", "done", ended_at=START)
    api.desk.add(
        "job-0000000000000002", "failed", ended_at=START + timedelta(minutes=1), message="no link"
    )
    api.desk.add("job-0000000000000003", "waiting")
    later, first = (await api.client.get("/api/latest")).json()
    assert (later["job"]["id"], later["job"]["message"]) == ("job-0000000000000002", "no link")
    assert (first["job"]["id"], first["of"]) == ("job-0000000000000001", 4)
    rows = [(one["words"], one["where"], one["text"]) for one in first["results"]]
    assert rows[0] == ("Resonance", "", "1.6837 GHz, 1.6816 to 1.6859 GHz")
    assert ("Return loss", "1.7 GHz", "20.0 dB, 18.4 to 21.9 dB") in rows
    assert first["verdicts"][0]["text"] == "pass"
    (only,) = (await api.client.get("/api/latest?jobs=1")).json()
    assert only == later


async def test_the_queue_tells_when_each_job_would_run(api: Any) -> None:
    api.desk.add("job-0000000000000001")
    api.desk.add("job-0000000000000002", "running")
    found = (await api.client.get("/api/queue")).json()
    assert found["words"] == "1 wait."
    (one,) = found["jobs"]
    assert (one["job"]["id"], one["starts_at"]) == (JOB, "2026-03-01T21:04:05.250000Z")
    assert one["parameters"] == {"antenna": "dipole r3"}


async def test_a_rehearsal_queues_nothing_and_shows_the_worksheet(api: Any) -> None:
    body = {"recipe": "return-loss", "arguments": {"antenna": "yagi r2"}, "priority": 3}
    found = (await api.client.post("/api/rehearse", json=body)).json()
    assert api.desk.orders == []
    assert found["worksheet"]["parameters"] == {"antenna": "yagi r2"}
    assert "Return loss of one antenna" in found["text"]
    refused = await api.client.post("/api/rehearse", json={"recipe": "none"})
    assert (refused.status_code, refused.json()["family"]) == (409, "refused")


@pytest.mark.parametrize(
    ("body", "order"),
    [({"before": "job-2"}, ("move", JOB, "job-2")), ({"place": "last"}, ("move", JOB, None)),
     ({"place": "first"}, ("move first", JOB)), ({"priority": -3}, ("priority", JOB, -3))],
)  # fmt: skip
async def test_a_waiting_job_is_moved(api: Any, body: Any, order: Any) -> None:
    answer = await api.client.post(f"/api/jobs/{JOB}/move", json=body)
    assert answer.json()["words"] == "0 wait."
    assert api.desk.orders == [order]


@pytest.mark.parametrize(
    "body",
    [{}, {"place": "middle"}, {"priority": 101}, {"priority": True}, {"before": "../x"},
     {"place": "first", "priority": 1}],
)  # fmt: skip
async def test_a_move_to_nowhere_is_refused(api: Any, body: Any) -> None:
    answer = await api.client.post(f"/api/jobs/{JOB}/move", json=body)
    assert (answer.status_code, api.desk.orders) == (422, [])


async def test_what_is_known_of_rf_is_handed_on(api: Any) -> None:
    assert (await api.client.get("/api/rf")).json() == api.desk.rf()


async def test_the_root_lists_the_addresses(api: Any) -> None:
    document = (await api.client.get("/")).json()
    assert document["name"] == "benchd"
    assert {"POST /api/jobs", "GET /api/events", "POST /api/jobs/{job_id}/ready"} <= set(
        document["addresses"]
    )


async def test_a_broken_recipe_gives_each_problem_with_its_line(api: Any) -> None:
    answer = await api.client.post("/api/check", json={"text": "nonsense", "file": "mine.yaml"})
    message = 'unknown step "capure", did you mean "capture"?'
    assert (answer.status_code, answer.json()) == (
        422,
        {
            "family": "wrong-recipe",
            "where": "",
            "message": f"mine.yaml:3:5: steps[0]: {message}",
            "advice": "",
            "problems": [
                {
                    "file": "mine.yaml",
                    "line": 3,
                    "column": 5,
                    "key": "steps[0]",
                    "message": message,
                }
            ],
        },
    )


async def test_an_unsafe_job_is_refused_and_nothing_is_queued(api: Any) -> None:
    body = {"recipe": "return-loss", "arguments": {"level": "30 dBm"}}
    answer = await api.client.post("/api/jobs", json=body)
    assert (answer.status_code, answer.json()) == (
        422,
        {
            "family": "unsafe",
            "where": "step 2",
            "message": "30 dBm would reach the coupler, which takes 20 dBm.",
            "advice": "Set the level to 10 dBm or less.",
        },
    )
    assert api.desk.rows == {}


async def test_a_fault_is_reported_without_its_inside(api: Any) -> None:
    api.desk.break_with = RuntimeError("secret inside")
    # Caught before it is written: where log lines go is set once a process, by any test before.
    with capture_logs() as lines:
        answer = await api.client.post("/api/check", json={"recipe": "return-loss"})
    assert answer.status_code == 500
    assert answer.json()["family"] == "fault"
    assert "secret inside" not in answer.text
    mark = answer.json()["message"].split("fault ")[1].rstrip(").")
    [line] = [line for line in lines if line["log_level"] == "error"]
    assert mark in str(line)
    assert "secret inside" in str(line["exc_info"])


def test_numbers_that_json_does_not_have_travel_as_words() -> None:
    values = {"a": [float("inf"), -float("inf"), float("nan")], "b": np.float64(0.1)}
    text = documents.to_text(values)
    assert text == '{"a": ["Infinity", "-Infinity", "NaN"], "b": 0.1}'


def test_a_thing_without_a_json_form_is_a_type_error() -> None:
    with pytest.raises(TypeError, match="object has no JSON form"):
        documents.encode({"x": object()})


@pytest.mark.parametrize(
    "document",
    [{}, {"name": "a", "form": "level_dbm", "frequency_hz": [1, 2], "values": [1]},
     {"name": "a", "form": "colour", "frequency_hz": [1], "values": [1]},
     {"name": "a", "form": "level_dbm", "frequency_hz": ["x"], "values": [1]}],
    ids=["empty", "lengths", "form", "word"],
)  # fmt: skip
def test_what_is_not_a_trace_is_refused(document: dict[str, Any]) -> None:
    with pytest.raises(documents.FormError, match="this is not a trace"):
        documents.decode_trace(document)
