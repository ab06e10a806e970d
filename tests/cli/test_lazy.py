"""Commands import what they need, and not what only others need."""

from __future__ import annotations

import subprocess
import sys

import pytest
import typer.main

from benchd.cli.app import COMMANDS, app

HEAVY = ("numpy", "matplotlib", "sqlalchemy", "fastapi", "pyvisa", "ruamel.yaml")
LIGHT = ("jobs", "watch", "ready", "withdraw", "health", "instruments", "results", "recipes")


def _imported(*words: str) -> set[str]:
    """Which of the heavy libraries a command line has imported."""
    code = (
        "import sys\n"
        "from benchd.cli import main\n"
        "try:\n"
        "    main(sys.argv[1:])\n"
        "except SystemExit:\n"
        "    pass\n"
        f"print('found', *[n for n in {HEAVY!r} if n in sys.modules], sep='|', file=sys.stderr)\n"
    )
    ran = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True)
    return set(ran.stderr.strip().splitlines()[-1].split("|")) - {"found"}


def test_the_list_of_commands_imports_no_command() -> None:
    assert _imported("--help") == set()


@pytest.mark.parametrize("command", LIGHT)
def test_a_command_that_asks_the_daemon_starts_without_the_heavy_libraries(command: str) -> None:
    assert _imported(command, "--help") == set()


def test_listing_jobs_needs_none_of_them_either() -> None:
    assert _imported("jobs", "--daemon", "http://127.0.0.1:9") == set()


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
