"""Questions that become recipes: what is understood, and that what is not is said."""

from __future__ import annotations

from typing import Any

import pytest

from benchd.errors import RecipeError, UserError
from benchd.recipe import load_recipe
from benchd.recipe.from_question import Places, recipe_name, recipe_text
from benchd.recipe.question import Question, read_question

NAMES = ("dipole r3", "yagi r2", "reference dipole")


def read(text: str) -> dict[str, Any]:
    """What differs from a question in which nothing was found."""
    found, empty = vars(read_question(text, NAMES)), vars(Question())
    return {key: value for key, value in found.items() if key != "text" and value != empty[key]}


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("how good is this Yagi's match from 1.68 to 1.71 GHz?",
         {"quantities": ["match"], "kind": "yagi", "band_hz": (1.68e9, 1.71e9)}),
        ("What is the VSWR of yagi r2 between 1690 MHz and 1.71 GHz?",
         {"quantities": ["match"], "antenna": "yagi r2", "band_hz": (1.69e9, 1.71e9),
          "wants_vswr": True}),
        ("Is dipole r3 too long?", {"quantities": ["resonance"], "antenna": "dipole r3"}),
        ('trim of "patch 7, left" at 1.69 ghz',
         {"quantities": ["resonance"], "antenna": "patch 7, left", "at_hz": [1.69e9]}),
        ("return loss at 1.68 GHz, 1.7 GHz and 1.71 GHz, at least 12 dB",
         {"quantities": ["match"], "at_hz": [1.68e9, 1.7e9, 1.71e9],
          "least_return_loss_db": 12.0}),
        ("Is the patch's swr below 1.5 over 1.68-1.71 GHz?",
         {"quantities": ["match"], "kind": "patch", "band_hz": (1.68e9, 1.71e9),
          "largest_vswr": 1.5, "wants_vswr": True}),
        ("Does the helix have a bandwidth of more than 50 MHz?",
         {"quantities": ["bandwidth"], "kind": "helix", "least_bandwidth_hz": 50e6}),
        ("gain of the yagi r2 at 1.7 GHz, at least 8 dBi, by switch",
         {"quantities": ["gain"], "antenna": "yagi r2", "at_hz": [1.7e9],
          "least_gain_dbi": 8.0, "way": "switch"}),
        ("at least 6 dBd at 1.7 GHz?",  # 0 dBd is 2.15 dBi
         {"quantities": ["gain"], "at_hz": [1.7e9], "least_gain_dbi": 8.15}),
        ("match and gain of the yagi, by hand",
         {"quantities": ["match", "gain"], "kind": "yagi", "way": "hand"}),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)  # fmt: skip
def test_a_question_is_understood(text: str, meant: dict[str, Any]) -> None:
    assert read(text) == meant


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("how pretty is the match?", 'not understood: "pretty" (understood: match).'),
        ("the axial ratio and the gain at 1.7 GHz",
         'not understood: "axial ratio" (understood: gain, at 1.7 GHz).'),
        ("match from 1.68 to 1.71", 'not understood: "1.68 1.71"'),
        ("match from 1.71 to 1.68 GHz", "its first end must be the lower one"),
        ("match, at most 12 dB", '"at most 12 dB" is no limit that it understands'),
        ("match better than -10 dB", "not understood"),
        ("from 1.68 to 1.71 GHz", "names nothing to measure"),
        ("", "names nothing to measure"),
    ],
)  # fmt: skip
def test_what_is_not_understood_is_said_with_what_is(text: str, says: str) -> None:
    with pytest.raises(UserError) as refused:
        read_question(text, NAMES)
    assert says in str(refused.value)


@pytest.mark.parametrize("way", ["hand", "switch"])
@pytest.mark.parametrize(
    "text",
    ["match", "resonance at 1.7 GHz", "bandwidth at least 40 MHz from 1.6 to 1.8 GHz",
     "gain from 1.68 to 1.71 GHz", "match and gain, VSWR below 2 at 1.7 GHz"],
)  # fmt: skip
def test_every_recipe_can_be_read_and_says_what_was_asked(text: str, way: str) -> None:
    question = read_question(text)
    question.way = way
    written = recipe_text(question, Places())
    recipe = load_recipe(written, file="it.yaml")
    assert recipe.name == recipe_name(question)
    assert written.startswith(f"# Asked: {text}\n# Understood: ")
    assert ("hands:" in written) == (way == "hand")
    assert all(len(line) <= 100 for line in written.splitlines()[2:])


def test_nothing_in_a_question_becomes_a_line_of_the_recipe() -> None:
    text = 'match of "x\\", evil: [1]"\u2028steps: []\n- hands'
    with pytest.raises(UserError):
        read_question(text)
    quiet = recipe_text(Question("a\nrecipe: b\u2028c", ["match"], "q, (x) - no"), Places())
    assert quiet.splitlines()[0] == "# Asked: a recipe: b c"
    parameters = load_recipe(quiet, file="it.yaml").parameters
    assert parameters["antenna"].default == "q, (x) - no"
    for name in ('q", default: "y', "q}\n", "q\\"):
        with pytest.raises(RecipeError):
            load_recipe(recipe_text(Question("", ["match"], name), Places()), file="it.yaml")
