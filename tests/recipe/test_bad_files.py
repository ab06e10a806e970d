"""Recipes that are no recipes at all: YAML, keys, and words at the top of the file.

A case is the good recipe of conftest.py with one text replaced by another (or a whole other
file, where there is nothing to replace). A bad recipe gives its message and no worksheet, so
that nothing can be run from it.
"""

from __future__ import annotations

import pytest

from benchd.bench import Bench
from benchd.errors import RecipeError
from benchd.recipe import load_recipe, resolve

CASES: list[tuple[str, str | None, str, str]] = [
    (
        "empty file",
        None,
        "",
        "both.yaml: found nothing, expected a mapping of keys to values",
    ),
    (
        "a list instead of a mapping",
        None,
        "- recipe: both\n",
        "both.yaml:1:1: found a list, expected a mapping of keys to values",
    ),
    (
        "plain text",
        None,
        "measure everything\n",
        'both.yaml:1:1: found "measure everything", expected a mapping of keys to values',
    ),
    (
        "tab for indentation",
        "  main:\n    centre",
        "  main:\n\tcentre",
        (
            "both.yaml:11:1: cannot be read as YAML: found a tab; indent with spaces, never "
            "with tabs"
        ),
    ),
    (
        "unclosed quote",
        "title: Return loss and gain",
        "title: 'Return loss",
        (
            "both.yaml:37:1: cannot be read as YAML: found the end of the file inside quotes;"
            " close them"
        ),
    ),
    (
        "colon inside plain text",
        "title: Return loss and gain",
        "title: Return loss: and gain",
        (
            'both.yaml:2:19: cannot be read as YAML: found a second ":"; put text that holds '
            '": " in quotes, or check the indentation'
        ),
    ),
    (
        "two documents",
        "recipe: both",
        "recipe: both\n---\nrecipe: other",
        'both.yaml:2:1: found a second document; one file holds one, take out the line "---"',
    ),
    (
        "key twice",
        "on_interrupt: resume",
        "on_interrupt: resume\non_interrupt: fail",
        "both.yaml:9:1: on_interrupt: stands here twice, first in line 8; take one out",
    ),
    (
        "anchor and alias",
        "title: Return loss and gain",
        "title: &t Return loss\nabout: *t",
        (
            'both.yaml:2:8: title: found the YAML anchor "&t"; write the value out instead\n'
            'both.yaml:3:8: about: found the YAML anchor "*t"; write the value out instead'
        ),
    ),
    (
        "tag",
        "title: Return loss and gain",
        "title: !text Return loss",
        'both.yaml:2:8: title: found the YAML tag "!text"; tags are not used here',
    ),
    (
        "merge key",
        "    span: 200 MHz",
        "    <<: {span: 200 MHz}",
        'both.yaml:12:5: sweeps.main: found the merge key "<<"; write the values out instead',
    ),
    (
        "key that is a number",
        "on_interrupt: resume",
        "on_interrupt: resume\n17: x",
        'both.yaml:9:1: found the key "17", expected text; put it in quotes',
    ),
    (
        "unprintable character",
        "title: Return loss and gain",
        'title: "Return\\x07 loss"',
        "both.yaml:2:8: title: found the unprintable character U+0007; take it out",
    ),
    (
        "directive",
        "recipe: both",
        "%YAML 1.1\n---\nrecipe: both",
        'both.yaml:2:1: found a "%" directive; these files are plain YAML 1.2',
    ),
    (
        "unknown key",
        "on_interrupt: resume",
        "on_interupt: resume",
        (
            'both.yaml:8:1: on_interupt: is not a key here, did you mean "on_interrupt"? '
            "Known: about, on_interrupt, parameters, recipe, steps, sweeps, title"
        ),
    ),
    (
        "missing key",
        "title: Return loss and gain\n",
        "",
        'both.yaml:1:1: the key "title" is missing: what it does, in one line',
    ),
    (
        "missing key in a step",
        "{name: seen, role: test, route: middle,",
        "{name: seen, route: middle,",
        (
            'both.yaml:25:5: steps[4].capture: the key "role" is missing: open, short, load, '
            "thru, empty, reference or test"
        ),
    ),
    (
        "no steps",
        "steps:\n",
        "steps: []\nsweps:\n",
        (
            "both.yaml:18:8: steps: found no items, expected 1 or more\n"
            'both.yaml:19:1: sweps: is not a key here, did you mean "sweeps"? Known: about, '
            "on_interrupt, parameters, recipe, steps, sweeps, title"
        ),
    ),
    (
        "recipe name with capitals",
        "recipe: both",
        "recipe: Both sides",
        (
            'both.yaml:1:9: recipe: found "Both sides", expected a name of lower-case '
            "letters, digits and -"
        ),
    ),
    (
        "title that is a number",
        "title: Return loss and gain",
        "title: 2024",
        "both.yaml:2:8: title: found 2024, expected text; put it in quotes",
    ),
    (
        "unknown interrupt word",
        "on_interrupt: resume",
        "on_interrupt: resum",
        (
            'both.yaml:8:15: on_interrupt: "resum" is not known, did you mean "resume"? '
            "Known: fail, restart, resume"
        ),
    ),
]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [pytest.param(*case[1:], id=case[0].replace(" ", "-")) for case in CASES],
)
def test_bad_recipe_is_refused_with_its_own_message(
    bench: Bench, recipe_text: str, old: str | None, new: str, message: str
) -> None:
    """File, line, column and key, what was found and what was expected; nothing else."""
    assert old is None or old in recipe_text
    text = new if old is None else recipe_text.replace(old, new, 1)
    with pytest.raises(RecipeError) as refusal:
        resolve(load_recipe(text, file="both.yaml"), bench, {})
    assert str(refusal.value) == message
