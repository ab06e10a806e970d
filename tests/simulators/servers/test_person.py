"""The simulated person does what the words ask, and refuses what it has not learnt."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

from simulators.person import UnknownRequest, act

RECIPES = Path(__file__).resolve().parents[3] / "recipes"


class Noted:
    """Notes every order to the control port."""

    def __init__(self) -> None:
        self.orders: list[tuple[str, dict[str, Any]]] = []

    def __call__(self, verb: str, **details: Any) -> None:
        self.orders.append((verb, details))


@pytest.mark.parametrize(
    ("recipe", "ask", "order"),
    [
        (
            "coupler",
            "Fit the load to the end of the port cable and tighten it.",
            ("place", {"position": "middle", "item": "load"}),
        ),
        (
            "coupler",
            "Refit 2 of 5. Take the load off, turn its connector a little, fit it again.",
            ("place", {"position": "middle", "item": "load"}),
        ),
        (
            "reflectivity",
            "Place 3 of 7 along the range. The first is the usual place; close the lid.",
            ("move", {"position": "mount_a", "by_m": [-0.052, 0.0, 0.0]}),
        ),
        (
            "reflectivity",
            "Place 1 of 3 across the range. Close the lid.",
            ("move", {"position": "mount_a", "by_m": [0.0, -0.026, 0.0]}),
        ),
        ("leakage", "Close the lid as usual; move nothing else.", ("lid", {"open": False})),
        ("grounding", "Make it isolated and close the lid.", ("bond", {"bonded": False})),
        ("repeatability", "Bend 1 of 8. Leave every joint.", ("bend", {"cable": "far_cable"})),
        ("stillness", "Open the lid and go on walking.", ("lid", {"open": True})),
        (
            "trim-session",
            "Fit the short where the antenna will be, tighten it, and close the lid.",
            ("place", {"position": "middle", "item": "short"}),
        ),
    ],
)
def test_words_become_orders(recipe: str, ask: str, order: tuple[str, dict[str, Any]]) -> None:
    do = Noted()
    act(do, recipe, ask)
    assert order in do.orders


def test_a_recipe_that_it_has_not_learnt_is_refused() -> None:
    with pytest.raises(UnknownRequest, match="not gain-over-positions: Make eight marks"):
        act(Noted(), "gain-over-positions", "Make eight marks.")


def asks(steps: Any) -> list[str]:
    """Every request of a recipe, those in repeats included."""
    found = []
    for step in steps:
        if "hands" in step:
            found.append(step["hands"]["ask"])
        if "repeat" in step:
            found += asks(step["repeat"]["steps"])
    return found


@pytest.mark.parametrize(
    "recipe", ["coupler", "grounding", "leakage", "reflectivity", "repeatability", "stillness"]
)
def test_every_request_of_a_qualification_moves_something(recipe: str) -> None:
    requests = asks(YAML(typ="safe").load((RECIPES / f"{recipe}.yaml").read_text())["steps"])
    assert requests
    for ask in requests:
        do = Noted()
        act(do, recipe, ask.replace("$turn", "1").replace("$places", "3"))
        assert do.orders, ask
