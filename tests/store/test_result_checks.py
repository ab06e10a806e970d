"""No result without a number comes into the store, whichever way it is wrong."""

import json
import math

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchd.errors import ReductionRefused
from benchd.results import Budget
from benchd.store import Store
from benchd.web.documents import to_text
from tests.generated import many
from tests.store import examples

ENDS = ("value", "low", "high", "expanded_uncertainty", "coverage_factor", "frequency_hz")
ANY = st.one_of(st.none(), st.floats(-1e12, 1e12), st.sampled_from([math.nan, math.inf, -math.inf]))


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("name", ENDS)
def test_a_result_that_is_no_number_is_refused_by_name(
    store: Store, name: str, number: float
) -> None:
    job = store.add_job(examples.worksheet())
    record = examples.record(job.id, **{name: number})
    if (name, number) in (("low", -math.inf), ("high", math.inf)):
        # Open on its own side: written as results write it.
        store.commit_results(job.id, "x", [record], step_index_after=None)
        assert getattr(store.result(record.id).result, name) is None
        return
    with pytest.raises(ReductionRefused, match=f"return_loss of the step dipole .* is {number}"):
        store.commit_results(job.id, "x", [record], step_index_after=1)
    assert store.results() == []
    assert store.job(job.id).step_index == 0


def test_a_budget_may_be_open_but_not_unknown(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    whole = Budget((), 0.4, math.inf, 1.96, 0.8, 17.0, math.inf)
    store.commit_results(
        job.id, "x", [examples.record(job.id, budget=whole)], step_index_after=None
    )
    unknown = Budget((), math.nan, math.inf, 1.96, 0.8, 17.0, 18.0)
    with pytest.raises(ReductionRefused, match="the standard uncertainty is nan"):
        store.commit_results(
            job.id, "x", [examples.record(job.id, budget=unknown)], step_index_after=None
        )


def test_a_margin_that_is_no_number_is_refused(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    with pytest.raises(ReductionRefused, match="the margin to its limit is nan"):
        store.commit_results(
            job.id, "x", [], [examples.verdict(margin=math.nan)], step_index_after=None
        )


@settings(
    max_examples=many(60),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(value=ANY, low=ANY, high=ANY, expanded=ANY, frequency=ANY)
def test_whatever_is_offered_what_is_published_holds_numbers_only(
    store: Store, value: float, low: float, high: float, expanded: float, frequency: float
) -> None:
    """Over HTTP and over MQTT, of everything that the store has taken in."""
    job = store.add_job(examples.worksheet())
    record = examples.record(
        job.id, value=0.0 if value is None else value, low=low, high=high,
        expanded_uncertainty=expanded, frequency_hz=frequency,
    )  # fmt: skip
    try:
        store.commit_results(job.id, "x", [record], step_index_after=None)
    except ReductionRefused:
        assert store.results(job_id=job.id) == []
        return
    (kept,) = store.results(job_id=job.id)
    body = json.loads(to_text(kept))["result"]
    assert isinstance(body["value"], float)
    for name in ENDS:
        assert body[name] is None or isinstance(body[name], float), (name, body[name])
    for row in store.outbox_pending("workshop", 10_000):
        assert "NaN" not in row.payload
        assert "Infinity" not in row.payload
