"""A worksheet for one serial number asks for that antenna, and everything in it is bound to it."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.bench import Bench, load_bench
from benchd.errors import OrderRefused
from benchd.recipe import load_recipe, resolve
from benchd.recipe.cautions import HANDS_OFF_RF, OPEN_LID
from benchd.recipe.serials import with_serial
from benchd.worksheet import HandsStep, Worksheet

RECIPES = Path(__file__).parents[2] / "recipes"
ARM = {"antenna": "dipole r3"}


@pytest.fixture(scope="module")
def workshop() -> Bench:
    return load_bench(RECIPES / "benches" / "workshop.yaml")


@pytest.fixture(scope="module")
def by_hand() -> Bench:
    return load_bench(RECIPES / "benches" / "by-hand.yaml")


def _worksheet(name: str, bench: Bench, arguments: dict[str, str]) -> Worksheet:
    text = (RECIPES / f"{name}.yaml").read_text(encoding="utf-8")
    return resolve(load_recipe(text, file=f"{name}.yaml"), bench, arguments)


def _asks(worksheet: Worksheet) -> list[str]:
    return [step.ask for step in worksheet.steps if isinstance(step, HandsStep)]


def test_where_nobody_is_asked_a_request_is_put_in(workshop: Bench) -> None:
    plain = _worksheet("return-loss", workshop, ARM)
    assert _asks(plain) == []
    numbered = with_serial(plain, "007", workshop)
    assert _asks(numbered) == [
        "Fit dipole r3, serial number 007 (route middle, position antenna), and close the lid."
    ]
    assert [step.kind for step in numbered.steps] == ["hands", *(s.kind for s in plain.steps)]
    assert [step.index for step in numbered.steps] == list(range(len(numbered.steps)))
    assert {HANDS_OFF_RF, OPEN_LID} <= set(numbered.cautions)


def test_the_request_for_the_antenna_names_the_number_and_no_other_does(by_hand: Bench) -> None:
    plain = _worksheet("return-loss-by-hand", by_hand, ARM)
    numbered = with_serial(plain, "A 7/b", by_hand)
    before, after = _asks(plain), _asks(numbered)
    assert after[:2] == before[:2]
    assert after[2] == f"{before[2]} (dipole r3: serial number A 7/b)"
    assert len(after) == 3


def test_every_place_that_it_is_moved_to_is_for_that_number(workshop: Bench) -> None:
    arguments = {"antenna": "yagi r2", "reference": "reference dipole"}
    numbered = with_serial(_worksheet("gain-pair-by-swap", workshop, arguments), "7", workshop)
    assert ["serial number 7" in ask for ask in _asks(numbered)] == [False, True]


def test_all_is_bound_to_the_number_and_comes_back_from_the_store(workshop: Bench) -> None:
    numbered = with_serial(_worksheet("return-loss", workshop, ARM), "007", workshop)
    assert {step.bindings["serial"] for step in numbered.steps} == {"007"}
    assert numbered.parameters["serial"] == "007"
    again = Worksheet.from_document(numbered.model_dump(mode="json"))
    assert again == numbered
    assert again.digest == numbered.digest
    assert (
        numbered.digest
        != with_serial(_worksheet("return-loss", workshop, ARM), "008", workshop).digest
    )


def test_a_number_that_may_belong_to_several_antennas_is_refused(workshop: Bench) -> None:
    plain = _worksheet("open-short-baseline", workshop, {})
    with pytest.raises(OrderRefused, match="tests no antenna, so a serial number cannot"):
        with_serial(plain, "7", workshop)


def test_a_recipe_with_a_serial_of_its_own_is_refused(workshop: Bench) -> None:
    numbered = with_serial(_worksheet("return-loss", workshop, ARM), "007", workshop)
    with pytest.raises(OrderRefused, match='has a "serial" of its own'):
        with_serial(numbered, "008", workshop)
