"""Whatever comes in as a recipe: a worksheet, or a refusal that a person can read."""

from __future__ import annotations

import contextlib
import copy
import json
from typing import Any

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from benchd.bench import Bench
from benchd.errors import RecipeError, UnsafeError
from benchd.files.yamlfile import parse_document
from benchd.recipe import load_recipe, render_worksheet, resolve
from tests.generated import many

LEAVES = [
    None, True, 0, -1, 2.5, 1e300, 10**30, "", "none", "newest", "$", "$$", "$centre", "$antenna",
    "$points", "$shape", "$turn", "$standard", "x $centre y", "1.7 GHz", "0 Hz", "1e-400 Hz",
    "1e300 GHz", "-10 dBm", "90 dBm", "5 ms", "0 s", "10 dB", "nan Hz", "open", "test", "thru",
    "middle", "range", "own", "bare", "mount_a", "hold", "tracking", "vector", "main", "seen",
    "ref", "far", "yagi r2", "reference dipole", "gain", "reflection", "known-range-antenna",
    [], {}, [[]], [{}], {"a": 1},
]  # fmt: skip
KEYS = [
    "method", "for", "refine", "start", "stop", "thru", "reference", "range_antenna", "at", "band",
    "position", "antenna", "name", "over", "times", "steps", "repeat", "capture", "reduce",
    "accept", "kind", "least", "most", "default", "choices", "reduction", "max_age",
]  # fmt: skip

slow_is_fine = settings(
    max_examples=many(250),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


def run(bench: Bench, text: str) -> None:
    """Everything a recipe goes through before it may wait for its turn."""
    with contextlib.suppress(RecipeError, UnsafeError):
        render_worksheet(resolve(load_recipe(text, file="fuzz.yaml"), bench, {}))


def places(data: Any) -> list[tuple[Any, Any]]:
    """Every (container, key) of a tree."""
    pairs = data.items() if isinstance(data, dict) else enumerate(data)
    found = []
    for key, value in list(pairs):
        found.append((data, key))
        if isinstance(value, (dict, list)):
            found.extend(places(value))
    return found


def change(data: Any, draw: st.DataObject) -> None:
    """One value replaced, taken out, or put where it does not belong."""
    spots = places(data)
    container, key = draw.draw(st.sampled_from(range(len(spots))).map(lambda at: spots[at]))
    other, other_key = draw.draw(st.sampled_from(range(len(spots))).map(lambda at: spots[at]))
    value = copy.deepcopy(draw.draw(st.sampled_from([*LEAVES, other[other_key]])))
    action = draw.draw(st.sampled_from(["replace", "replace", "remove", "add"]))
    if action == "replace":
        container[key] = value
    elif action == "remove":
        del container[key]
    elif isinstance(container, dict):
        container[draw.draw(st.sampled_from(KEYS))] = value
    else:
        container.insert(key, value)


@slow_is_fine
@given(st.data())
def test_a_recipe_with_one_or_two_things_changed(
    bench: Bench, recipe_text: str, data: st.DataObject
) -> None:
    """The good recipe of conftest.py, written out as JSON after the change."""
    tree = copy.deepcopy(parse_document(recipe_text, file="f", error=RecipeError).data)
    for _ in range(data.draw(st.integers(1, 2))):
        change(tree, data)
    run(bench, json.dumps(tree, indent=1))


@slow_is_fine
@given(st.text("ab \n\t:-[]{},#&*!|>'\"%@`$.017GHz", max_size=40), st.integers(0, 1800),
       st.integers(0, 40))  # fmt: skip
def test_a_recipe_with_a_piece_of_text_changed(
    bench: Bench, recipe_text: str, insert: str, start: int, cut: int
) -> None:
    """A slip of the keyboard anywhere in the file."""
    run(bench, recipe_text[:start] + insert + recipe_text[start + cut :])


@slow_is_fine
@given(st.text(max_size=300))
@example("recipe: a\ntitle: b\nsteps: [{repeat: {times: 5, steps: [{repeat: 3}]}}]")
@example("recipe: a\ntitle: b\nparameters: 5\nsweeps: 7\nsteps: 9")
@example("recipe: a\ntitle: b\nsteps: [{capture: 5}, {repeat: {over: {x: [1]}, steps: x}}]")
@example("recipe: a\ntitle: $x\nsteps: [{wait: {for: $x}}]\nparameters: {x: {kind: time}}")
def test_any_text_at_all(bench: Bench, text: str) -> None:
    """What an order could bring."""
    run(bench, text)


@slow_is_fine
@given(st.dictionaries(st.sampled_from(["antenna", "centre", "points", "shape", "x"]),
                       st.text(max_size=20)))  # fmt: skip
def test_any_arguments_at_all(bench: Bench, recipe_text: str, arguments: dict[str, str]) -> None:
    """Values given when queueing."""
    recipe = load_recipe(recipe_text)
    with contextlib.suppress(RecipeError, UnsafeError):
        resolve(recipe, bench, arguments)
