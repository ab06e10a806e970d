"""Errors on a terminal and in a pipe."""

from __future__ import annotations

import io

import pytest

from benchd.cli.screen import Screen, fitted, format_error

LONG = {
    "where": "/a/rather/long/place/" + "x" * 150,
    "message": "is run by another benchd (process 4711)",
    "advice": "Stop that one first.",
}


def test_a_sentence_is_never_broken_in_a_file_where_somebody_may_search_for_it() -> None:
    lines = format_error(LONG, Screen()).split("\n")
    assert lines == [f"{LONG['where']}: {LONG['message']}", LONG["advice"]]


def test_a_sentence_is_broken_at_the_width_of_a_terminal() -> None:
    lines = format_error(LONG, Screen(width=80, wrap=True)).split("\n")
    assert len(lines) > 3
    assert max(map(len, lines)) <= 80


def test_a_terminal_gets_lines_broken_between_words_and_a_pipe_whole_ones(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setenv("COLUMNS", "20")
    text = "Keep the box closed and keep \x1baway from antennas."
    assert fitted(text, io.StringIO()) == "Keep the box closed and keep ?away from antennas."
    assert fitted(text, Terminal()).splitlines() == [
        "Keep the box closed",
        "and keep ?away from",
        "antennas.",
    ]


def test_advice_on_the_same_line_begins_a_sentence_of_its_own() -> None:
    error = {"message": "job 7 is running", "where": "", "advice": "Wait until it has ended."}
    assert format_error(error, Screen()) == "job 7 is running. Wait until it has ended."
    error["message"] = "RF is off."
    assert format_error(error, Screen()) == "RF is off. Wait until it has ended."
