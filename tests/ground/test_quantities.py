"""The table of quantities: complete, and read by all who speak of quantities."""

from __future__ import annotations

import ast
import dataclasses
from collections.abc import Iterator
from pathlib import Path

import pytest

import benchd
from benchd import quantities
from benchd.quantities import Compared, Feeds, Picture, Quantity, Shown, Where
from benchd.reductions.limits import unit_of
from benchd.report.wording import quantity_words
from benchd.units import Kind


def test_a_name_stands_in_one_row_only() -> None:
    with pytest.raises(ValueError, match="'return_loss' is entered twice"):
        quantities.add(quantities.quantity("return_loss"))


def test_a_row_is_all_that_words_and_limits_need(monkeypatch: pytest.MonkeyPatch) -> None:
    """A stranger's package enters its quantity; nothing else is told of it."""
    monkeypatch.setattr(quantities, "_KNOWN", dict(quantities._KNOWN))
    row = Quantity(
        "axial_ratio", "dB", "Axial ratio", ("polarisation",), compared=Compared.BY_BUDGETS
    )
    quantities.add(row)
    assert quantity_words("axial_ratio") == "Axial ratio"
    assert quantity_words("axial_ratio_difference") == "Axial ratio difference"
    assert unit_of("axial_ratio") == "dB"
    assert quantities.given_by("polarisation") == (row,)
    assert row in quantities.compared()


def test_a_difference_of_gains_is_a_plain_ratio() -> None:
    gain = quantities.quantity("realised_gain")
    assert (gain.unit, gain.kind) == ("dBi", Kind.GAIN)
    assert (gain.difference.unit, gain.difference.kind) == ("dB", Kind.RATIO)
    assert quantities.quantity("realised_gain_difference") == gain.difference


def test_what_nobody_entered_still_has_words() -> None:
    """Results of a package that is not installed any more are still read."""
    unknown = quantities.quantity("front_to_back")
    assert (unknown.words, unknown.shown) == ("Front to back", Shown.FIRST)
    assert quantities.place("front_to_back") > quantities.place("temperature_coefficient")


def test_what_a_person_wants_comes_first_and_in_this_order() -> None:
    wanted = ["resonance_frequency", "trim_per_arm", "return_loss", "vswr", "bandwidth",
              "realised_gain"]  # fmt: skip
    assert sorted(wanted, key=quantities.place) == wanted
    assert {quantities.quantity(name).shown for name in wanted} == {Shown.FIRST}


def test_each_qualification_feeds_what_the_budgets_take_from_it() -> None:
    fed = {row.name: row.feeds for row in quantities.every() if row.feeds is not Feeds.NOTHING}
    assert fed == {
        "effective_directivity": Feeds.SIZE,
        "effective_source_match": Feeds.SIZE,
        "joint_reflection": Feeds.SIZE,
        "repeatability_spread": Feeds.SPREAD,
        "box_path_spread": Feeds.SPREAD,
        "box_gain_spread": Feeds.SPREAD,
    }


def test_every_row_says_all_of_itself() -> None:
    for row in quantities.every():
        assert row.words, row.name
        assert row.given_by, row.name
        assert row.unit in ("dB", "dBi", "dBm", "Hz", "m", "s", "1", "dB/K", "m/Hz"), row.name
        assert isinstance(row.where, Where)
        assert isinstance(row.picture, Picture)
        assert dataclasses.is_dataclass(row)


def named_together(source: str) -> Iterator[list[str]]:
    """Names of quantities that stand together in a tuple, list, set or dictionary."""
    names = {row.name for row in quantities.every()}
    for node in ast.walk(ast.parse(source)):
        keys = node.keys if isinstance(node, ast.Dict) else getattr(node, "elts", [])
        told = [key.value for key in keys if isinstance(key, ast.Constant) and key.value in names]
        if len(told) > 1:
            yield told


def test_quantities_stand_in_no_other_table() -> None:
    """Else one more row would not be enough. Only the maths may name those that it gives."""
    root = Path(benchd.__file__).parent
    found = {
        str(file.relative_to(root)): told
        for file in sorted(root.rglob("*.py"))
        if file.name != "quantities.py" and "reduce" not in file.relative_to(root).parts
        for told in named_together(file.read_text("utf-8"))
        if told != ["gain", "gain"]
    }
    assert found == {}


def test_a_table_of_its_own_would_be_seen() -> None:
    assert list(named_together('GAINS = ("realised_gain", "gain")')) == [["realised_gain", "gain"]]
    assert list(named_together('WORDS = {"vswr": "VSWR", "trim_per_arm": "Trim"}')) == [
        ["vswr", "trim_per_arm"]
    ]
