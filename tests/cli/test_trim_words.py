"""A trim session in words: the dips above each other, and what to do."""

from __future__ import annotations

from typing import Any

from benchd.cli.trim_words import end_lines, ladder, look_lines, request_lines


def look(number: int, at_hz: float, half_hz: float, removed_m: float | None = None) -> Any:
    dip = {
        "value": at_hz, "low": at_hz - half_hz, "high": at_hz + half_hz,
        "expanded_uncertainty": half_hz, "note": "",
    }  # fmt: skip
    return {"number": number, "removed_m": removed_m, "results": {"resonance_frequency": dip}}


def session(*looks: Any, **more: Any) -> Any:
    return {
        "job": "job-1", "state": "needs-hands", "message": "", "antenna": "dipole r3",
        "design_frequency_hz": 1.7e9, "hands": None, "noted_removed_m": None,
        "looks": list(looks), **more,
    }  # fmt: skip


def test_each_dip_stands_where_it_is_between_the_ends_of_one_axis() -> None:
    rows = ladder(session(look(1, 1.65e9, 8e6), look(2, 1.68e9, 8e6)), 2, 100)
    assert [row[:24].split() for row in rows[:2]] == [
        ["look", "1", "1.6500", "GHz"], ["look", "2", "1.6800", "GHz"],
    ]  # fmt: skip
    dips = [row.index("v") for row in rows[:2]]
    design = [row.index("|") for row in rows[:2]]
    assert design[0] == design[1]
    # 50 and 20 MHz below the design frequency, to scale, within a column.
    assert abs((design[0] - dips[0]) / (design[0] - dips[1]) - 50.0 / 20.0) < 0.15
    assert rows[0][dips[0] - 1] == rows[0][dips[0] + 1] == "="
    assert rows[2].endswith("design 1.7 GHz")
    assert max(map(len, rows)) <= 100


def test_a_dip_on_the_design_frequency_and_a_look_without_one_still_show() -> None:
    none = {"number": 2, "removed_m": None, "results": {"resonance_count": {"note": "No dip."}}}
    rows = ladder(session(look(1, 1.7e9, 5e6), none), 2, 60)
    assert "v" in rows[0]
    assert rows[1].startswith("look 2    no dip")
    assert look_lines(session(none), none, 60)[-1] == "No dip. The design frequency is 1.7 GHz."


def test_without_a_stated_arm_it_says_how_to_get_to_know_what_is_left() -> None:
    one = look(1, 1.65e9, 8e6)
    assert "states no arm (trim:)" in look_lines(session(one), one, 80)[-1]


def test_a_request_says_what_may_be_typed_and_what_is_noted() -> None:
    hands = {"ask": "Look 2 of 9.", "caution": "Hands out.", "look": "lid", "step": 6}
    lines = request_lines(session(hands=hands, noted_removed_m=0.5e-3))
    assert lines[:3] == ["Look 2 of 9.", "! Hands out.", "Noted: 0.5 mm taken off each arm."]
    assert lines[3].startswith("Close the lid: look.")
    by_hand = request_lines(session(hands={"ask": "Fit the open.", "caution": "", "look": None}))
    assert by_hand[-1].startswith("Enter: it is done, RF may come on.")


def test_the_end_sums_up_what_is_known_to_be_off() -> None:
    done = session(
        look(1, 1.65e9, 8e6), look(2, 1.67e9, 8e6, 0.5e-3), look(3, 1.68e9, 8e6, 0.25e-3),
        state="done", message="stopped by order",
    )  # fmt: skip
    assert "Taken off each arm in all: 0.75 mm." in end_lines(done)
    done["looks"][2]["removed_m"] = None
    assert not any("in all" in line for line in end_lines(done))
