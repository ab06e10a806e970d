"""`--json` is a contract: what every command prints on a real daemon fits its schema."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from benchd.cli import main
from benchd.cli.app import app
from benchd.cli.json_contract import ANSWERS, schema_of
from tests.system.rigging import Daemon, Simulator, ending


def _commands() -> Iterator[tuple[str, Any]]:
    from typer.main import get_command

    root: Any = get_command(app)
    for name in root.list_commands(None):
        command = root.commands[name]
        for below, one in getattr(command, "commands", {"": command}).items():
            yield f"{name} {below}".strip(), one


def test_every_command_with_json_has_a_schema_and_no_other() -> None:
    with_json = {
        name for name, command in _commands() if any("--json" in p.opts for p in command.params)
    }
    assert with_json == set(ANSWERS)


@pytest.mark.parametrize("command", sorted(ANSWERS))
def test_a_schema_says_what_must_be_there(command: str) -> None:
    schema = schema_of(command)
    Draft202012Validator.check_schema(schema)
    for wrong in (None, "text", 3, {"id": 7}):
        assert not Draft202012Validator(schema).is_valid(wrong), wrong


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A daemon that has measured a dipole twice, and has a register to add to."""
    folder = tmp_path_factory.mktemp("contract")
    simulator = Simulator(folder)
    with ending(simulator):
        daemon = Daemon(folder, simulator, "none")
        with ending(daemon):
            daemon.queue("open-short-baseline", points="21")
            for _ in range(2):
                last = daemon.queue("return-loss", points="21")
            daemon.until_state(last, "done")
            yield daemon.said["http"]


Printed = Callable[..., Any]


@pytest.fixture
def printed(
    url: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Printed:
    """Run a command with --json against the daemon; what it printed, held against its schema."""
    monkeypatch.setenv("BENCHD_DAEMON", url)

    def run(command: str, *arguments: str) -> Any:
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main([*command.split(), *arguments, "--json"])
        told = capsys.readouterr()
        assert ended.value.code in (0, None), told.err
        document = json.loads(told.out)
        Draft202012Validator(schema_of(command)).validate(document)
        return document

    return run


def test_what_reading_commands_print(printed: Printed) -> None:
    jobs = printed("jobs")
    newest, earlier = [job["id"] for job in jobs if job["recipe"] == "return-loss"]
    assert [one["job"]["id"] for one in printed("watch", newest)] == [newest]
    assert printed("health")["bench"] == "workshop"
    assert {one["name"] for one in printed("instruments")} >= {"generator", "analyzer"}
    (tried,) = printed("instruments", "--test", "--instrument", "lid")
    assert [one["outcome"] for one in tried["commands"]].count("taken") > 3
    assert printed("bench")["timezone"] == "UTC"
    assert printed("recipes", "return-loss")["name"] == "return-loss"
    assert len(printed("recipes")) > 10
    assert len(printed("captures")) == 4
    assert " dB, " in printed("results", "--quantity", "return_loss")[0]["result"]["text"]
    assert sum(line["share"] for line in printed("budget", "return_loss")["result"]["budget"][
        "terms"]) == pytest.approx(1.0, abs=1e-6)  # fmt: skip
    assert printed("reduce", newest)
    assert printed("history", "dipole r3")["revisions"]
    said = {one["said"] for one in printed("compare", earlier, newest)["differences"]}
    assert said == {"no difference shown"}
    assert printed("antenna list")
    assert printed("antenna show", "dipole r3")["name"] == "dipole r3"


def test_what_ordering_commands_print(printed: Printed, url: str) -> None:
    given = ("return-loss", "-p", "antenna=dipole r3", "-p", "points=21")
    assert printed("check", *given)["recipe"] == "return-loss"
    later = ("--not-before", "2100-01-01 00:00")
    queued = printed("queue", *given, *later)
    assert queued["state"] == "waiting"
    assert [one["id"] for one in printed("rehearse")["jobs"]] == [queued["id"]]
    assert printed("move", queued["id"], "--first")["missed"] == 0
    queued = printed(
        "batch",
        "return-loss",
        "--antenna",
        "dipole r3",
        "--serials",
        "7-8",
        "-p",
        "points=21",
        *later,
    )
    assert [job["serial"] for job in queued] == ["7", "8"]
    table = printed("batch-table", queued[0]["batch"])
    assert [row["state"] for row in table["rows"]] == ["waiting", "waiting"]
    added = printed("antenna add", "dipole r4", "--from", "dipole r3", "--arm", "41.2mm")
    assert Path(added["file"]).name == "antennas.yaml"


def test_each_line_of_a_live_look(
    url: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCHD_DAEMON", url)
    given = ("-p", "show=level", "-p", "points=21", "-p", "time=5 s")
    with pytest.raises(SystemExit):
        main(["live", "dipole r3", "--yes", "--json", *given])
    told = capsys.readouterr()
    lines = [json.loads(line) for line in told.out.splitlines()]
    check = Draft202012Validator(schema_of("live"))
    for line in lines:
        check.validate(line)
    assert {line["kind"] for line in lines} == {"look", "sweep", "ended"}, told.err


def test_one_schema_is_printed_by_its_name(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["schemas", "json-batch-table"])
    assert json.loads(capsys.readouterr().out) == schema_of("batch-table")
    with pytest.raises(SystemExit):
        main(["schemas", "json-result"])
    assert "did you mean" in capsys.readouterr().err
