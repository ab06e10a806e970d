"""Command lines that hold what no command line should: refused in words, with the right status."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.patience import PATIENCE_S

JOB = "job-0000000000000001"


def as_process(*arguments: bytes, **environment: str) -> tuple[int, str, str]:
    """Run the command as a process of its own; an argument may be any bytes."""
    done = subprocess.run(
        [os.fsencode(sys.executable), b"-m", b"benchd", *arguments],
        capture_output=True,
        timeout=PATIENCE_S,
        check=False,
        env={**os.environ, **environment},
    )
    return done.returncode, done.stdout.decode(), done.stderr.decode()


@pytest.mark.parametrize(
    "arguments",
    [
        (b"queue", b"r\xff"),
        (b"queue", b"return-loss", b"-p", b"antenna=dipole\xe4"),
        (b"check", b"\xff.yaml"),
        (b"serve", b"--bench", b"\xfe.yaml"),
        (b"captures", b"--role", b"\xff"),
        (b"\xff",),
    ],
    ids=repr,
)
def test_arguments_that_are_no_utf_8_are_named(arguments: tuple[bytes, ...]) -> None:
    code, out, err = as_process(*arguments)
    assert (code, out) == (2, "")
    assert "is not UTF-8 text" in err
    assert "Traceback" not in err


@pytest.mark.parametrize("value", ["\u00e4", "a\nb", "http://\u0661"])
def test_an_environment_that_no_header_can_carry_is_named(value: str) -> None:
    for name in ("BENCHD_TOKEN", "BENCHD_DAEMON"):
        code, _, err = as_process(b"jobs", **{name: value})
        assert code == 1
        assert err == f"{name}: {name} holds a character that none can hold.\n"


@pytest.mark.parametrize("number", ["1_0", "١٠", "1e1", "0x10", "9" * 5000, "nan", "10.0", ""])
def test_numbers_of_options_are_written_in_ten_digits(benchd: Any, api: Any, number: str) -> None:
    for command in (
        ["jobs", "--limit", number],
        ["results", "--limit", number],
        ["captures", "--limit", number],
        ["queue", "return-loss", "--priority", number],
        ["ready", JOB, "--step", number],
        ["serve", "--bench", "b.yaml", "--embedded-port", number],
        ["serve", "--bench", "b.yaml", "--trace-points", number],
    ):
        outcome = benchd(*command, api=api)
        assert (outcome.code, outcome.out) == (2, "")
        assert "is no whole number." in outcome.err


@pytest.mark.parametrize(
    ("option", "value"), [("--limit", "0"), ("--limit", "10001"), ("--limit", "-1")]
)
def test_numbers_outside_their_range_are_refused(
    benchd: Any, api: Any, option: str, value: str
) -> None:
    outcome = benchd("jobs", option, value, api=api)
    assert outcome.code == 2
    assert f"{value} is not in the range 1 to 10000." in outcome.err


def test_an_unknown_role_or_state_is_refused_with_those_there_are(benchd: Any, api: Any) -> None:
    outcome = benchd("captures", "--role", "nope", api=api)
    assert outcome.code == 1
    assert all(role in outcome.err for role in ("open", "short", "load", "reference", "test"))
    outcome = benchd("jobs", "--state", "nope", api=api)
    assert outcome.code == 1
    assert all(state in outcome.err for state in ("waiting", "needs-hands", "missed"))


def test_times_at_the_ends_of_the_calendar_are_refused(benchd: Any, api: Any) -> None:
    for option in ("--not-before", "--finish-by"):
        for text in ("0001-01-01", "9999-12-31T23:59-23:59"):
            outcome = benchd("queue", "return-loss", option, text, api=api)
            assert (outcome.code, outcome.out) == (1, "")
            assert "lies outside the years 1970 to 9998" in outcome.err
    assert api.desk.orders == []


def test_a_pipe_among_the_files_of_serve_hangs_nothing(benchd: Any, tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.yaml"
    os.mkfifo(pipe)
    for arguments in (
        ["serve", "--bench", str(pipe), "--data", str(tmp_path)],
        ["serve", "--bench", "b.yaml", "--token-file", str(pipe)],
        ["check", str(pipe), "--bench", "b.yaml"],
        ["check", "return-loss", "--bench", str(pipe)],
    ):
        outcome = benchd(*arguments)
        assert outcome.code == 1
        assert "it is a named pipe, expected a regular file" in outcome.err or (
            "No such file" in outcome.err
        )
