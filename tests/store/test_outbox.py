import json

import numpy as np
import pytest

from benchd.store import JobState, Store, made_ready
from benchd.store.messages import LatestMessage, ResultMessage, thinned
from benchd.traces import Form, Trace
from tests.store import examples


def payloads(store: Store, bench: str = "workshop") -> list[tuple[str, dict]]:
    rows = store.outbox_pending(bench, limit=1000)
    return [(row.topic, json.loads(row.payload)) for row in rows]


def deliver_all(store: Store) -> None:
    numbers = [row.number for row in store.outbox_pending("workshop", limit=1000)]
    store.outbox_delivered(numbers)
    assert store.outbox_pending("workshop") == []


def test_results_and_latest_are_what_their_models_say(store: Store) -> None:
    """Their payloads are put together from texts; each must be that of the whole model."""
    job = store.add_job(examples.worksheet())
    deliver_all(store)
    records = [
        examples.record(job.id),
        examples.record(job.id, low=None),
        examples.record(job.id, antenna=None, note='a "note", with a \u2028'),
    ]
    store.commit_results(job.id, "x", records, step_index_after=1)
    rows = store.outbox_pending("workshop", limit=1000)
    models = {"result": ResultMessage, "latest": LatestMessage}
    kinds = [row.topic.partition("/")[0] for row in rows]
    assert [kinds.count(kind) for kind in ("result", "latest")] == [3, 1]
    for kind, row in zip(kinds, rows, strict=True):
        if kind in models:
            told = models[kind].model_validate_json(row.payload)
            assert json.loads(told.to_json()) == json.loads(row.payload)
    ready = made_ready(records)
    assert [one.id for one in ready] == [record.id for record in records]
    bodies = [json.loads(one.body) for one in ready]
    published = [json.loads(row.payload) for row in rows if row.topic == "result"]
    for body, message in zip(bodies, published, strict=True):
        assert body.items() <= message.items()


def test_rows_are_marked_delivered_by_their_own_numbers_and_no_others(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    for number in range(12):
        store.set_state(job.id, JobState.RUNNING, message=str(number))
    numbers = [row.number for row in store.outbox_pending("workshop", limit=1000)]
    confirmed = [numbers[n] for n in (7, 3, 2, 4, 11, 0)]
    store.outbox_delivered(confirmed)
    left = [row.number for row in store.outbox_pending("workshop", limit=1000)]
    assert left == [number for number in numbers if number not in confirmed]
    store.outbox_delivered([])
    assert [row.number for row in store.outbox_pending("workshop", limit=1000)] == left


def test_a_job_tells_every_state(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    store.set_state(job.id, JobState.RUNNING, message="Sweeping.", step_index=1)
    (first_topic, first), (topic, message) = payloads(store)
    assert first_topic == topic == f"job/{job.id}"
    assert first["state"] == "waiting"
    epoch = message["epoch"]
    assert message == {
        "schema": "benchd.job/1",
        "bench": "workshop",
        "id": f"{epoch}-2",
        "epoch": epoch,
        "epoch_first": 1,
        "sequence": 2,
        "previous": 1,
        "at": "2026-03-01T20:00:02Z",
        "job": job.id,
        "recipe": "return-loss",
        "title": "Return loss of one antenna",
        "state": "running",
        "step_index": 1,
        "steps_total": 3,
        "message": "Sweeping.",
        "error": None,
        "hands": None,
    }


def test_a_result_is_told_as_an_event_and_as_a_retained_state(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    records = [examples.record(job.id, frequency_hz=f) for f in (1.6e9, 1.7e9)]
    nameless = examples.record(job.id, antenna=None)
    store.commit_results(job.id, "x", [*records, nameless], step_index_after=None)
    rows = store.outbox_pending("workshop")[1:]
    assert [(row.topic, row.sequence, row.retain, row.qos) for row in rows] == [
        ("result", 2, False, 1),
        ("result", 3, False, 1),
        ("result", 4, False, 1),
        ("latest/dipole r3/return_loss", None, True, 1),
        ("reading/dipole r3/return_loss/dB", None, True, 1),
    ]
    latest = json.loads(rows[3].payload)
    assert [entry["frequency_hz"] for entry in latest["results"]] == [1.6e9, 1.7e9]
    assert latest["sequence"] == 3
    event = json.loads(rows[0].payload)
    assert event["value"] == 18.234567890123456
    assert event["high"] is None  # an open end
    assert event["result"] == records[0].id
    assert "budget" not in event
    texts = [event["text"], latest["text"], *(entry["text"] for entry in latest["results"])]
    assert texts == ["18.23 dB, 17.42 to 19.04 dB"] * 4
    assert (rows[4].payload, latest["reading"], latest["reading_unit"]) == ("18.23", 18.23, "dB")


@pytest.mark.parametrize(
    ("changes", "topic", "payload"),
    [
        (
            {"quantity": "resonance_frequency", "value": 1.6842312e9, "unit": "Hz",
             "expanded_uncertainty": 2.1e6, "low": None, "high": None},
            "reading/dipole r3/resonance_frequency/MHz", "1684.2",
        ),
        (
            {"quantity": "trim_per_arm", "value": -4.1234e-4, "unit": "m",
             "expanded_uncertainty": 5.1e-5, "low": None, "high": None},
            "reading/dipole r3/trim_per_arm/mm", "-0.412",
        ),
        (
            {"quantity": "vswr", "value": 1.65321, "unit": "1", "expanded_uncertainty": None,
             "low": None, "high": None},
            "reading/dipole r3/vswr/1", "1.65321",
        ),
        ({"flags": ("overload",)}, "reading/dipole r3/return_loss/dB", "null"),
        ({"unit": "dB/K", "antenna": "a/b"}, "reading/a%2Fb/return_loss/dB%2FK", "18.23"),
    ],
    ids=["frequency", "length", "plain", "not-measured", "awkward-names"],
)  # fmt: skip
def test_a_reading_is_a_bare_number_in_the_unit_that_a_person_reads(
    store: Store, changes: dict, topic: str, payload: str
) -> None:
    job = store.add_job(examples.worksheet())
    store.commit_results(job.id, "x", [examples.record(job.id, **changes)], step_index_after=None)
    latest, reading = store.outbox_pending("workshop")[-2:]
    assert (reading.topic, reading.payload) == (topic, payload)
    told = json.loads(latest.payload)
    assert told["reading"] == json.loads(payload)
    assert told["reading_unit"] == json.loads(f'"{topic.rpartition("/")[2]}"').replace("%2F", "/")


def test_a_verdict_is_told(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    store.commit_results(job.id, "accept", [], [examples.verdict()], step_index_after=None)
    topic, message = payloads(store)[1]
    assert topic == "verdict"
    assert (message["outcome"], message["margin"], message["unit"]) == ("pass", 8.2, "dB")


def test_names_that_people_chose_cannot_break_a_topic(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    record = examples.record(job.id, antenna="1/4+#")
    store.commit_results(job.id, "x", [record], step_index_after=None)
    assert [row.topic for row in store.outbox_pending("workshop")[-2:]] == [
        "latest/1%2F4%2B%23/return_loss",
        "reading/1%2F4%2B%23/return_loss/dB",
    ]


def test_numbers_have_no_gap_even_after_a_failed_transaction(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    bad = examples.record(job.id, note=object())
    with pytest.raises(TypeError, match="cannot be stored"):
        store.commit_results(job.id, "x", [examples.record(job.id), bad], step_index_after=None)
    store.add_job(examples.worksheet(bench="roof"))
    store.set_state(job.id, JobState.RUNNING)
    assert [message["sequence"] for _, message in payloads(store)] == [1, 2]
    assert [message["sequence"] for _, message in payloads(store, "roof")] == [1]
    assert store.last_sequence("workshop") == 2
    assert store.last_sequence("nowhere") == 0


def test_each_event_names_the_one_before_it_in_its_stream(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    for _ in range(2):
        store.commit_results(job.id, "x", [examples.record(job.id)], step_index_after=None)
        store.set_state(job.id, JobState.RUNNING)
    events = [
        (topic.partition("/")[0], message["sequence"], message["previous"])
        for topic, message in payloads(store)
        if not topic.startswith(("latest/", "reading/"))
    ]
    assert events == [
        ("job", 1, 0),
        ("result", 2, 0),
        ("job", 3, 1),
        ("result", 4, 2),
        ("job", 5, 3),
    ]


def test_delivered_rows_are_not_sent_again_until_they_are_replayed(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    for _ in range(4):
        store.set_state(job.id, JobState.RUNNING)
    assert store.outbox_count("workshop") == 5
    assert [row.sequence for row in store.outbox_pending("workshop", limit=2)] == [1, 2]
    deliver_all(store)
    assert store.outbox_count("workshop") == 0
    assert store.replay("workshop", 2, 3) == 2
    assert [row.sequence for row in store.outbox_pending("workshop")] == [2, 3]
    assert store.replay("workshop", 3) == 2
    assert [row.sequence for row in store.outbox_pending("workshop")] == [2, 3, 4, 5]
    assert store.replay("roof", 1) == 0


def test_a_state_that_a_newer_one_replaced_is_not_retained(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    for value in (1.0, 2.0):
        record = examples.record(job.id, value=value)
        store.commit_results(job.id, "x", [record], step_index_after=None)
    states = [row for row in store.outbox_pending("workshop") if row.sequence is None]
    assert [row.retain for row in states] == [False, False, True, True]


def test_states_are_sent_again_for_a_broker_that_forgets(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    for value in (1.0, 2.0):
        for antenna in ("dipole r3", "yagi r2"):
            record = examples.record(job.id, value=value, antenna=antenna)
            store.commit_results(job.id, "x", [record], step_index_after=None)
    deliver_all(store)
    assert store.restate("workshop") == 4
    rows = store.outbox_pending("workshop")
    assert [(row.topic, row.retain) for row in rows] == [
        ("latest/dipole r3/return_loss", True),
        ("reading/dipole r3/return_loss/dB", True),
        ("latest/yagi r2/return_loss", True),
        ("reading/yagi r2/return_loss/dB", True),
    ]
    latest = [json.loads(row.payload) for row in rows[::2]]
    assert [one["results"][0]["value"] for one in latest] == [2.0, 2.0]
    assert [row.payload for row in rows[1::2]] == ["2.00", "2.00"]


def test_a_trace_is_told_only_when_asked_for(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    store.commit_capture(examples.capture(job.id), step_index_after=None)
    capture = examples.capture(job.id)
    store.commit_capture(capture, step_index_after=None, trace_points=40)
    (topic, message) = payloads(store)[-1]
    assert len(payloads(store)) == 2
    assert topic == f"trace/{capture.id}"
    assert message["points_recorded"] == 201
    assert 20 <= len(message["values"]) <= 40
    index = np.searchsorted(capture.level.frequency_hz, message["frequency_hz"])
    np.testing.assert_array_equal(capture.level.values[index], message["values"])


def test_a_complex_trace_is_told_as_two_lists(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    ratio = Trace("s11", Form.RATIO_COMPLEX, np.array([1e9, 2e9]), np.array([1 + 2j, np.nan]))
    capture = examples.capture(job.id, traces=(ratio,))
    store.commit_capture(capture, step_index_after=None, trace_points=40)
    message = payloads(store)[-1][1]
    assert (message["values"], message["values_imaginary"]) == ([1.0, None], [2.0, 0.0])


@pytest.mark.parametrize("most_points", [2, 3, 40, 199, 201, 500])
def test_a_thinned_trace_keeps_its_notch_and_its_peak(most_points: int) -> None:
    values = np.zeros(1001)
    values[437], values[812] = -30.0, 3.0
    trace = Trace("level", Form.RATIO_DB, np.linspace(1e9, 2e9, 1001), values)
    index = thinned(trace, most_points)
    assert index.size <= most_points
    assert {437, 812} <= set(index.tolist())
    assert np.all(np.diff(index) > 0)


def test_a_short_trace_is_not_thinned() -> None:
    np.testing.assert_array_equal(thinned(examples.trace(11), 11), np.arange(11))


def test_listeners_hear_of_commits_only(store: Store) -> None:
    heard: list[int] = []
    stop = store.on_commit(lambda: heard.append(store.outbox_count("workshop")))
    job = store.add_job(examples.worksheet())
    with pytest.raises(TypeError, match="cannot be stored"):
        store.commit_results(
            job.id, "x", [examples.record(job.id, note=object())], step_index_after=None
        )
    with store.atomic() as together:
        together.set_state(job.id, JobState.RUNNING)
        together.set_state(job.id, JobState.DONE)
    stop()
    store.add_job(examples.worksheet())
    assert heard == [1, 3]
