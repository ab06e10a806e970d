"""The Tab key, as the scripts for the three shells ask for it."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from typing import Any

import pytest

from tests.patience import PATIENCE_S

JOB = "job-0000000000000001"
PROGRAM = [sys.executable, "-m", "benchd"]
NOBODY = "http://127.0.0.1:9"  # the port "discard", where nothing listens


def answer(url: str = NOBODY, **variables: str) -> str:
    """What the program prints for a shell that asks by these variables."""
    environment = {**os.environ, "BENCHD_DAEMON": url, "COLUMNS": "200", **variables}
    done = subprocess.run(
        PROGRAM, env=environment, capture_output=True, text=True, timeout=PATIENCE_S, check=True
    )
    return done.stdout


def offered(line: str, url: str = NOBODY) -> list[str]:
    """As bash asks, with the cursor behind `line`."""
    last = len(line.split(" ")) - 1
    asked = {"_BENCHD_COMPLETE": "complete_bash", "COMP_WORDS": line, "COMP_CWORD": str(last)}
    return answer(url, **asked).split()


def script(shell: str) -> str:
    """What `--show-completion` prints in that shell."""
    return answer(_BENCHD_COMPLETE=f"source_{shell}")


def test_commands_and_options_are_completed() -> None:
    assert offered("benchd wit") == ["withdraw"]
    assert offered("benchd queue --not") == ["--not-before"]
    assert offered("benchd antenna a") == ["add"]


def test_job_ids_and_recipes_come_from_the_daemon(api: Any) -> None:
    api.desk.add(JOB, "running")
    assert offered("benchd watch job-", api.url) == [JOB]
    assert offered("benchd withdraw ", api.url) == [JOB]
    assert offered("benchd queue ret", api.url) == ["return-loss"]


def test_without_a_daemon_the_recipes_that_come_with_benchd_are_offered() -> None:
    assert offered("benchd watch job-") == []
    assert offered("benchd check gain-pair") == ["gain-pair-by-swap", "gain-pair-by-switch"]


def test_bash_itself_completes_with_the_script() -> None:
    ask = (
        f'benchd() {{ {shlex.join(PROGRAM)} "$@"; }}; export -f benchd\n'
        # The script calls `env ... benchd`, which finds programs, not functions.
        'env() { local named=(); while [[ $1 == *=* ]]; do named+=("$1"); shift; done; '
        f'command env "${{named[@]}}" {shlex.join(PROGRAM)}; }}\n'
        f"{script('bash')}\n"
        "COMP_WORDS=(benchd inst); COMP_CWORD=1; _benchd_completion benchd\n"
        'echo "${COMPREPLY[@]}"\n'
    )
    done = subprocess.run(
        ["bash", "--norc", "-c", ask], capture_output=True, text=True, timeout=PATIENCE_S,
        env={**os.environ, "BENCHD_DAEMON": NOBODY}, check=True,
    )  # fmt: skip
    assert done.stdout.split() == ["instruments"]


@pytest.mark.parametrize(("shell", "says"), [("zsh", "#compdef benchd"), ("fish", "complete")])
def test_zsh_and_fish_get_a_script_and_what_it_asks_for(shell: str, says: str) -> None:
    text = script(shell)
    assert text.strip().startswith(says)
    assert f"_BENCHD_COMPLETE=complete_{shell}" in text
    asked = {"_TYPER_COMPLETE_ARGS": "benchd wit", "_TYPER_COMPLETE_FISH_ACTION": "get-args"}
    assert all(name in text for name in asked if shell == "fish" or "FISH" not in name)
    assert "withdraw" in answer(_BENCHD_COMPLETE=f"complete_{shell}", **asked)
