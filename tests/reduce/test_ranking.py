"""Which source of uncertainty to work on next."""

from __future__ import annotations

import pytest

from benchd.reduce.ranking import ranked
from benchd.reduce.uncertainty import combine, term
from benchd.results import Budget


def budget(*sizes: tuple[str, float]) -> Budget:
    return combine([term(name, size, "dB") for name, size in sizes], estimate=0.0)


def test_what_weighs_most_in_the_results_together_comes_first() -> None:
    # Shares of the variance by hand: 9/10 and 1/10; 1/5 and 4/5.
    found = ranked([budget(("leak", 3.0), ("noise", 1.0)), budget(("leak", 1.0), ("noise", 2.0))])
    assert [(one.name, one.largest_in, one.results) for one in found] == [
        ("leak", 1, 2),
        ("noise", 1, 2),
    ]
    assert found[0].share == pytest.approx(0.55)
    assert found[1].share == pytest.approx(0.45)
    assert found[0].left == pytest.approx((0.1**0.5 + 0.8**0.5) / 2.0)


def test_a_source_that_many_results_lack_weighs_less_than_one_in_all_of_them() -> None:
    lone = [budget(("box", 1.0))]
    common = [budget(("leak", 1.0), ("noise", 0.9))] * 3
    found = ranked(lone + common)
    assert found[0].name == "leak"
    shares = {one.name: one.share for one in found}
    assert shares["box"] == pytest.approx(0.25)
    assert sum(shares.values()) == pytest.approx(1.0)


def test_parts_of_one_error_that_cancel_do_not_count() -> None:
    terms = [
        term("reference, before", 2.0, "dB", source="reference"),
        term("reference, after", 2.0, "dB", sensitivity=-1.0, source="reference"),
        term("noise", 0.1, "dB"),
    ]
    found = ranked([combine(terms, estimate=0.0)])
    assert [(one.name, one.share) for one in found] == [
        ("noise", pytest.approx(1.0)),
        ("reference, before and reference, after", 0.0),
    ]


def test_a_default_is_told_as_assumed_only_where_it_contributes() -> None:
    terms = [
        term("leak", 1.0, "dB", assumed=True),
        term("joint", 0.0, "dB", assumed=True),
        term("noise", 0.5, "dB"),
    ]
    found = {one.name: one.assumed for one in ranked([combine(terms, estimate=0.0)])}
    assert found == {"leak": True, "noise": False, "joint": False}


def test_budgets_to_which_nothing_contributes_are_left_out() -> None:
    assert ranked([]) == []
    assert ranked([budget(("leak", 0.0))]) == []
    assert ranked([budget(("leak", 0.0)), budget(("noise", 1.0))])[0].results == 1
