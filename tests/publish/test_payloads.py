"""Payloads against their published JSON Schemas, by an independent validator."""

import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator, ValidationError
from jsonschema.validators import validator_for

from benchd.errors import OrderRefused
from benchd.publish import schemas
from benchd.publish.payloads import PresenceMessage, ReplyMessage, job_summary
from benchd.store import JobState, Store
from benchd.traces import Form, Trace
from tests.publish.test_orders import job_row
from tests.store import examples

SCHEMAS = schemas()


def check(payload: str) -> str:
    """Validate by the schema that the payload names; returns its name."""
    message = json.loads(payload, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))
    Draft202012Validator(SCHEMAS[message["schema"]]).validate(message)
    return str(message["schema"])


def test_every_schema_is_itself_valid() -> None:
    assert sorted(SCHEMAS) == [
        "benchd.epoch/1",
        "benchd.job/1",
        "benchd.latest/1",
        "benchd.order/1",
        "benchd.presence/1",
        "benchd.reply/1",
        "benchd.result/1",
        "benchd.rf/1",
        "benchd.trace/1",
        "benchd.verdict/1",
    ]
    for schema in SCHEMAS.values():
        assert validator_for(schema) is Draft202012Validator
        Draft202012Validator.check_schema(schema)


def test_everything_that_the_outbox_ever_holds_fits_its_schema(store: Store) -> None:
    import numpy as np

    job = store.add_job(examples.worksheet())
    store.set_state(job.id, JobState.RUNNING)
    store.set_state(job.id, JobState.NEEDS_HANDS, hands={"ask": "Fit the short.", "step": 1})
    bare = dict.fromkeys(("expanded_uncertainty", "coverage_factor", "low", "high", "frequency_hz"))
    records = [
        examples.record(job.id),
        examples.record(job.id, band_hz=None, antenna=None, **bare),
        examples.record(job.id, band_hz=(float("-inf"), 1e9)),
    ]
    verdicts = [examples.verdict(), examples.verdict(outcome="absent", margin=None, result=None)]
    store.commit_results(job.id, "x", records, verdicts, step_index_after=1)
    ratio = Trace("s11", Form.RATIO_COMPLEX, np.array([1e9, 2e9]), np.array([1 + 2j, np.nan]))
    for traces in ((examples.trace(),), (ratio,)):
        capture = examples.capture(job.id, traces=traces)
        store.commit_capture(capture, step_index_after=1, trace_points=50)
    error = OrderRefused("no", where="here", advice="Try.").as_dict()
    store.set_state(job.id, JobState.FAILED, error=error)
    rows = store.outbox_pending("workshop", 100)
    seen = {check(row.payload) for row in rows if not row.topic.startswith("reading/")}
    assert seen == {f"benchd.{kind}/1" for kind in ("job", "result", "verdict", "latest", "trace")}


def test_presence_and_replies_fit_their_schemas() -> None:
    presence = PresenceMessage(
        bench="workshop",
        state="offline",
        reason="lost",
        at=examples.TAKEN_AT,
        session="con-1",
        version="0.1.0",
    )
    common = {"bench": "workshop", "at": examples.TAKEN_AT, "order": "a", "verb": "queue"}
    good = ReplyMessage(**common, ok=True, job=job_summary(job_row()))
    bad = ReplyMessage(**common, ok=False, error=OrderRefused("no").as_dict())
    assert [check(message.to_json()) for message in (presence, good, bad)] == [
        "benchd.presence/1",
        "benchd.reply/1",
        "benchd.reply/1",
    ]


@pytest.mark.parametrize(
    ("order", "fits"),
    [
        ({"verb": "queue", "order": "a", "recipe": "return-loss"}, True),
        ({"verb": "replay", "order": "a", "from_sequence": 1}, True),
        ({"verb": "queue", "order": "a"}, False),
        ({"verb": "queue", "order": "a", "recipe": "../x"}, False),
        ({"verb": "explode", "order": "a"}, False),
        ({"verb": "ready", "order": "a", "job": "j", "more": 1}, False),
    ],
    ids=lambda value: str(value)[:40],
)
def test_the_order_schema_tells_good_orders_from_bad(order: dict, fits: bool) -> None:
    validator = Draft202012Validator(SCHEMAS["benchd.order/1"])
    if fits:
        validator.validate(order)
    else:
        with pytest.raises(ValidationError):
            validator.validate(order)


def test_a_payload_of_another_shape_is_refused_by_its_schema(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    store.commit_results(job.id, "x", [examples.record(job.id)], step_index_after=None)
    result = json.loads(store.outbox_pending("workshop")[1].payload)
    validator = Draft202012Validator(SCHEMAS["benchd.result/1"])
    validator.validate(result)
    for change in ({"value": "high"}, {"sequence": 0}, {"schema": "benchd.result/2"}):
        with pytest.raises(ValidationError):
            validator.validate({**result, **change})
    with pytest.raises(ValidationError, match="'unit' is a required property"):
        validator.validate({name: value for name, value in result.items() if name != "unit"})


def test_schemas_can_be_written_to_files(tmp_path: Path) -> None:
    for name, schema in SCHEMAS.items():
        place = tmp_path / f"{name.replace('/', '-')}.json"
        place.write_text(json.dumps(schema, indent=2, allow_nan=False))
        assert json.loads(place.read_text()) == schema
