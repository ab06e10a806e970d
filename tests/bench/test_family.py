"""Which antennas are revisions of one another, in which order, and what was changed."""

from __future__ import annotations

import pytest

from benchd.bench.antennas import Antenna
from benchd.bench.family import changes, family, stem


def antenna(**more: object) -> Antenna:
    return Antenna.model_validate(
        {"design_frequency": "1.7 GHz", "largest_dimension": "84 mm", **more}
    )


def trimmed(arm: str, **more: object) -> Antenna:
    return antenna(trim={"arm": arm, **more})


@pytest.mark.parametrize(
    ("name", "revision", "expected"),
    [
        ("dipole r3", None, "dipole"),
        ("dipole long r12b", None, "dipole long"),
        ("patch second", "second", "patch"),
        ("patch second", None, "patch second"),
        ("reference dipole", "a", "reference dipole"),
        ("r3", "r3", "r3"),
    ],
)
def test_the_revision_at_the_end_of_a_name_is_not_part_of_what_revisions_share(
    name: str, revision: str | None, expected: str
) -> None:
    assert stem(name, revision) == expected


def test_revisions_stand_together_in_the_order_in_which_people_count() -> None:
    known = dict.fromkeys(["dipole r10", "yagi r2", "Dipole r9", "dipole r3"], antenna())
    assert family("dipole r3", known) == ("dipole r3", "Dipole r9", "dipole r10")
    assert family("yagi r2", known) == ("yagi r2",)


def test_a_revision_under_another_name_says_what_it_revises_and_comes_after_it() -> None:
    known = {
        "bent dipole r1": antenna(revises="dipole r3"),
        "bent dipole r2": antenna(),
        "dipole r3": antenna(),
        "dipole r2": antenna(),
    }
    expected = ("dipole r2", "dipole r3", "bent dipole r1", "bent dipole r2")
    assert family("dipole r3", known) == expected
    # Whoever asks for the later one is told the same story.
    assert set(family("bent dipole r2", known)) == set(expected)


def test_two_that_revise_one_another_by_mistake_do_not_hang_anything() -> None:
    known = {"one": antenna(revises="two"), "two": antenna(revises="one")}
    assert set(family("one", known)) == {"one", "two"}


def test_what_was_measured_and_stands_in_no_register_any_more_is_a_revision_too() -> None:
    assert family("dipole r3", {"dipole r3": antenna()}, ["dipole r1", "yagi r2"]) == (
        "dipole r1",
        "dipole r3",
    )


def test_changes_are_told_with_how_much_was_taken_off() -> None:
    found = changes(trimmed("41.8 mm", arms=2), trimmed("41.2 mm", arms=4))
    assert [one.text for one in found] == [
        "arm from 41.8 mm to 41.2 mm, 0.60 mm less",
        "number of arms from 2 to 4",
    ]
    arm = found[0]
    assert (arm.key, arm.unit, arm.before, arm.after) == ("arm_m", "m", 0.0418, 0.0412)


def test_what_only_one_of_the_two_states_is_told_as_that() -> None:
    assert [one.text for one in changes(antenna(), trimmed("41.2 mm"))] == [
        "arm stated as 41.2 mm",
        "number of arms stated as 2",
    ]
    assert [one.text for one in changes(antenna(type="yagi"), antenna())] == [
        "type not stated any more"
    ]


def test_nothing_is_said_of_a_change_where_the_register_does_not_know_both() -> None:
    assert changes(None, antenna()) == ()
    assert changes(antenna(), antenna(design_frequency="1.7 GHz")) == ()
