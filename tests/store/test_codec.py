import json
import math
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.results import Place
from benchd.store import codec
from benchd.store.errors import StoreDamaged
from tests.store import examples

FINITE = st.floats(allow_nan=False)
LEAVES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    FINITE,
    st.complex_numbers(allow_nan=False),
    st.text(),
    st.datetimes(timezones=st.just(UTC)).map(lambda moment: moment.replace(fold=0)),
)
# `fold` only tells the two passes of an autumn hour apart, which UTC does not have.
KEYS = st.one_of(st.sampled_from(["$float", "$tuple", "$dict", "$time"]), st.text(max_size=5))
VALUES = st.recursive(
    LEAVES,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.lists(inner, max_size=4).map(tuple),
        st.dictionaries(KEYS, inner, max_size=3),
    ),
    max_leaves=20,
)


@given(VALUES)
def test_any_plain_value_comes_back_with_its_types_as_strict_json(value: object) -> None:
    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is not JSON (RFC 8259)")

    text = codec.dumps(value)
    json.loads(text, parse_constant=refuse)
    back = codec.loads(text)
    assert back == value
    assert repr(back) == repr(value)  # tells -0.0 from 0.0 and a list from a tuple


def test_numbers_that_are_not_finite_come_back() -> None:
    back = codec.loads(codec.dumps({"a": math.inf, "b": -math.inf, "c": math.nan}))
    assert back["a"] == math.inf
    assert back["b"] == -math.inf
    assert math.isnan(back["c"])


def test_numpy_scalars_come_back_as_python_numbers() -> None:
    value = {"a": np.float64(0.1), "b": np.int64(3), "c": np.bool_(True), "d": np.float32(0.5)}
    assert repr(codec.loads(codec.dumps(value))) == "{'a': 0.1, 'b': 3, 'c': True, 'd': 0.5}"


def test_a_time_keeps_its_zone() -> None:
    moment = datetime(2026, 3, 1, 12, 0, 0, 1, tzinfo=timezone(timedelta(hours=5, minutes=30)))
    assert codec.loads(codec.dumps(moment)).isoformat() == moment.isoformat()


@pytest.mark.parametrize(
    "value",
    [object(), {1: 2}, {"a": b"bytes"}, {1, 2}],
    ids=["object", "number as key", "bytes", "set"],
)
def test_what_cannot_be_stored_is_refused_at_once(value: object) -> None:
    with pytest.raises(TypeError, match=r"(can|cannot) be stored"):
        codec.dumps(value)


def test_damaged_text_is_reported_as_damage() -> None:
    with pytest.raises(StoreDamaged, match="a stored value is damaged"):
        codec.loads('{"a": ')


@given(value=st.floats(), low=st.floats(), unit=st.text(max_size=3))
def test_a_result_record_comes_back_whole(value: float, low: float, unit: str) -> None:
    record = examples.record("job-1", value=value, low=low, unit=unit)
    back = codec.record_from_text(codec.record_to_text(record))
    assert repr(back) == repr(record)  # repr, because NaN is not equal to itself


def test_a_place_that_is_no_frequency_comes_back() -> None:
    record = examples.record("job-1", place=Place("angle", "deg", -30.0))
    assert codec.record_from_text(codec.record_to_text(record)) == record


def test_a_result_along_frequency_is_stored_in_the_same_bytes_as_ever() -> None:
    text = codec.record_to_text(examples.record("job-1", budget=None))
    result = text[text.index('"result":') :]
    assert result.startswith(
        '"result":{"quantity":"return_loss","value":18.234567890123454,"unit":"dB",'
        '"expanded_uncertainty":0.81,"coverage_factor":1.96,"low":17.4,"high":null,'
        '"frequency_hz":1700000000.0,"band_hz":{"$tuple":[1450000000.0,1950000000.0]},'
        '"antenna":"dipole r3","flags":{"$tuple":["below-directivity"]},'
        '"captures":{"$tuple":["cap-1","cap-2"]},"budget":null,"note":""}'
    )


def test_a_record_without_a_budget_comes_back_whole() -> None:
    record = examples.record("job-1", budget=None, expanded_uncertainty=None, band_hz=None)
    assert codec.record_from_text(codec.record_to_text(record)) == record


@pytest.mark.parametrize(
    "verdict",
    [
        examples.verdict(),
        examples.verdict(outcome="absent", margin=None, result=None),
        examples.verdict(margin=-math.inf, outcome="fail-marginal"),
    ],
    ids=lambda verdict: verdict.outcome,
)
def test_a_verdict_comes_back_whole(verdict) -> None:
    assert codec.verdict_from_text(codec.verdict_to_text(verdict)) == verdict
