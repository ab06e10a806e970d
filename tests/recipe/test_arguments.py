"""Values given when queueing: texts, held against kind, limits and bench."""

from __future__ import annotations

import pytest

from benchd.bench import Bench
from benchd.errors import RecipeError
from benchd.recipe import load_recipe, resolve

TEXT = """\
recipe: all-kinds
title: A parameter of every kind
parameters:
  frequency: {kind: frequency, default: 1.7 GHz, least: 1 GHz, most: 2 GHz}
  time: {kind: time, default: 12 h}
  length: {kind: length, default: 42.5 mm}
  level: {kind: level, default: -10 dBm, most: 0 dBm}
  ratio: {kind: ratio, default: 20 dB}
  gain: {kind: gain, default: 0 dBd}
  number: {kind: number, default: 1.5, least: 1, most: 10}
  integer: {kind: integer, default: 81, least: 11}
  choice: {kind: choice, choices: [none, newest], default: none}
  lid: {kind: yes-no, default: yes}
  note: {kind: text, default: windy}
  antenna: {kind: antenna, about: what to fit}
  route: {kind: route, default: middle}
  position: {kind: position, default: none}
steps:
  - hands: {ask: "$frequency $time $length $level $ratio $gain $number $integer $choice $lid $note
      $antenna $route $position $$5"}
"""


def ask(bench: Bench, **arguments: str) -> str:
    given = {"antenna": "yagi r2", **arguments}
    return resolve(load_recipe(TEXT), bench, given).steps[0].ask  # type: ignore[union-attr]


def message(bench: Bench, text: str = TEXT, **arguments: str) -> str:
    with pytest.raises(RecipeError) as refusal:
        resolve(load_recipe(text, file="r.yaml"), bench, arguments)
    return str(refusal.value)


def test_defaults_read_inside_text_with_their_units(bench: Bench) -> None:
    """0 dBd are 2.15 dBi; two dollars are one."""
    assert ask(bench) == (
        "1.7 GHz 12 h 42.5 mm -10 dBm 20 dB 2.15 dBi 1.5 81 none yes windy yagi r2 middle none $5"
    )


@pytest.mark.parametrize(
    ("name", "text", "shown"),
    [
        ("frequency", "1690 MHz", "1.69 GHz"),
        ("time", "90 s", "90 s"),
        ("level", "-12.5dBm", "-12.5 dBm"),
        ("number", "2", "2"),
        ("integer", "101", "101"),
        ("choice", "newest", "newest"),
        ("lid", "no", "no"),
        ("lid", "false", "no"),
        ("note", "$frequency", "$frequency"),
    ],
)
def test_a_text_is_read_by_its_kind(bench: Bench, name: str, text: str, shown: str) -> None:
    """What is given is data: a dollar sign in it refers to nothing."""
    assert shown in ask(bench, **{name: text}).replace("\n", " ")


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("frequency", "1.7", 'found "1.7" without a unit, expected a frequency with its unit'),
        ("frequency", "3 GHz", "found 3 GHz, expected 2 GHz or less"),
        ("frequency", "nan GHz", 'cannot read "nan GHz" as a frequency with its unit'),
        ("level", "1 dBm", "found 1 dBm, expected 0 dBm or less"),
        ("number", "0.5", "found 0.5, expected 1 or more"),
        ("number", "nan", "found nan, expected a finite number"),
        ("number", "wide", 'found "wide", expected a number without a unit'),
        ("integer", "81.5", 'found "81.5", expected a whole number without a unit'),
        ("integer", "5", "found 5, expected 11 or more"),
        ("choice", "newer", '"newer" is not known, did you mean "newest"? Known: newest, none'),
        ("lid", "perhaps", 'found "perhaps", expected yes or no'),
        ("note", "", "found empty text, expected a text"),
        ("note", "a\nb", "found an unprintable character; take it out"),
        ("note", "a\x1b[2J", "found an unprintable character; take it out"),
        ("note", "x" * 300, "found 300 characters, expected 200 at most"),
        ("route", "midle", 'the bench "small" has no route "midle", did you mean "middle"?'),
        ("antenna", "yagi", 'the bench "small" has no antenna "yagi", did you mean "yagi r2"?'),
    ],
)
def test_a_wrong_argument_names_its_parameter(
    bench: Bench, name: str, text: str, words: str
) -> None:
    """The person gave it by name, not by line."""
    assert message(bench, **{"antenna": "yagi r2", name: text}).startswith(
        f'parameter "{name}": {words}'
    )


def test_a_parameter_without_default_must_be_given(bench: Bench) -> None:
    """With what it is for and what there is."""
    assert message(bench) == (
        'parameter "antenna": has no default and must be given: an antenna (what to fit), one of: '
        "reference dipole, dipole r3, yagi r2"
    )


def test_an_unknown_parameter_is_refused_with_the_nearest(bench: Bench) -> None:
    """All wrong ones at once."""
    lines = message(bench, antenna="yagi r2", frequenzy="1 GHz", level="5 dBm").splitlines()
    assert [line.split(":")[0] for line in lines] == ['parameter "frequenzy"', 'parameter "level"']
    assert 'did you mean "frequency"?' in lines[0]


def test_a_default_that_the_bench_does_not_have_is_told_with_its_line(bench: Bench) -> None:
    """A recipe written for another bench."""
    text = TEXT.replace("{kind: route, default: middle}", "{kind: route, default: roof}")
    assert message(bench, text, antenna="yagi r2") == (
        'r.yaml:16:33: parameters.route.default: the bench "small" has no route "roof", '
        "known are: bare, middle, own, range"
    )


def test_a_name_that_cannot_be_shown_is_not_shown(bench: Bench) -> None:
    """Orders come from outside."""
    assert message(bench, **{"antenna": "yagi r2", "\x1b[2J": "x"}).startswith('parameter "?": ')
