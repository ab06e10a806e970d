"""Commands import what they need, and not what only others need."""

from __future__ import annotations

import subprocess
import sys

import pytest
import typer.main

from benchd.cli import new_recipe
from benchd.cli.app import COMMANDS, app
from benchd.recipe import question

HEAVY = ("numpy", "matplotlib", "sqlalchemy", "fastapi", "pyvisa", "ruamel.yaml", "structlog")
ASKING = ("httpx", "rich", "pydantic", "quantiphy")
"""What a command needs that asks the daemon and shows the answer; its `--help` does neither."""


def _imported(*words: str) -> set[str]:
    """Which of these libraries a command line has imported."""
    looked_for = HEAVY + ASKING
    code = (
        "import sys\n"
        "from benchd.cli import main\n"
        "try:\n"
        "    main(sys.argv[1:])\n"
        "except SystemExit:\n"
        "    pass\n"
        f"found = [name for name in {looked_for!r} if name in sys.modules]\n"
        "print('found', *found, sep='|', file=sys.stderr)\n"
    )
    ran = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True)
    return set(ran.stderr.strip().splitlines()[-1].split("|")) - {"found"}


def test_the_list_of_commands_imports_no_command() -> None:
    assert _imported("--help") == set()


@pytest.mark.parametrize("command", [entry.name for entry in COMMANDS])
def test_the_help_of_a_command_imports_nothing_of_what_it_does(command: str) -> None:
    assert _imported(command, "--help") == set()


def test_listing_jobs_imports_what_asks_and_shows_and_nothing_heavy() -> None:
    assert _imported("jobs", "--daemon", "http://127.0.0.1:9") <= set(ASKING)


def test_the_help_of_new_recipe_names_what_a_question_may_be_about() -> None:
    assert ", ".join(question.QUANTITIES) == new_recipe.QUANTITIES


def test_every_command_of_the_table_can_be_loaded_under_its_name() -> None:
    group = typer.main.get_command(app)
    for entry in COMMANDS:
        command = group.commands[entry.name]  # type: ignore[attr-defined]
        assert command.name == entry.name
        assert command.short_help == entry.summary


def test_a_wrong_name_is_answered_with_the_nearest() -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "benchd", "jbos"], capture_output=True, text=True
    )  # fmt: skip
    assert ran.returncode == 2
    assert "Did you mean 'jobs'?" in ran.stderr
