"""`benchd serve` reads its options strictly, and every command explains itself."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import typer

import benchd.service
from benchd.cli.app import app
from benchd.cli.serving import read_address, read_secret
from benchd.errors import UserError
from benchd.publish import PublishSettings
from benchd.service.settings import ServiceSettings
from benchd.web.settings import HttpSettings

GROUP = typer.main.get_command(app)
COMMANDS = sorted(GROUP.commands)  # type: ignore[attr-defined]


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch) -> list[ServiceSettings]:
    """Settings that `serve` was called with, in place of a running daemon."""
    given: list[ServiceSettings] = []

    async def serve(settings: ServiceSettings, begun: object = None) -> None:
        given.append(settings)

    monkeypatch.setattr(benchd.service, "serve", serve)
    return given


def test_serve_with_nothing_but_a_bench(
    benchd: Any, served: list[ServiceSettings], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    outcome = benchd("serve", "--bench", "bench.yaml")
    assert (outcome.code, outcome.err) == (0, "")
    assert served == [ServiceSettings(bench=Path("bench.yaml"), data=tmp_path / "benchd")]


def test_serve_with_everything(benchd: Any, served: list[ServiceSettings], tmp_path: Path) -> None:
    token = tmp_path / "token"
    token.write_text("a-token-of-the-workshop\nmore\n")
    outcome = benchd(
        "serve", "--bench", "b.yaml", "--recipes", str(tmp_path), "--data", "d",
        "--http", "[::1]:0", "--http-name", "Bench.lan", "--http-name", "bench",
        "--token-file", str(token), "--broker", "mqtts://me@broker:8883",
        "--broker-password-file", "pw", "--broker-ca", "ca.pem", "--embedded-port", "0",
        "--broker-protocol", "3.1.1", "--topic-root", "antennas/benches",
        "--address", "generator=TCPIP::127.0.0.1::5025::SOCKET",
        "--address", "analyzer = ASRL/dev/pts/3::INSTR", "--trace-points", "101",
    )  # fmt: skip
    assert outcome.code == 0
    assert served == [
        ServiceSettings(
            bench=Path("b.yaml"),
            data=Path("d"),
            recipes=(tmp_path,),
            addresses={
                "generator": "TCPIP::127.0.0.1::5025::SOCKET",
                "analyzer": "ASRL/dev/pts/3::INSTR",
            },
            http=HttpSettings(
                host="::1",
                port=0,
                token="a-token-of-the-workshop",
                names=("bench.lan", "bench"),
            ),
            publish=PublishSettings(
                broker="mqtts://me@broker:8883",
                password_file=Path("pw"),
                ca_file=Path("ca.pem"),
                protocol="3.1.1",
                root="antennas/benches",
                embedded_port=0,
                trace_points=101,
            ),
        )
    ]


@pytest.mark.parametrize(
    ("option", "value", "said"),
    [
        ("--http-name", "http://bench.lan", "is not the name of a computer"),
        ("--http-name", "bench.lan:8520", "is not the name of a computer"),
        ("--http-name", "bench..lan", "is not the name of a computer"),
        ("--http-name", "", "is not the name of a computer"),
        ("--topic-root", "", "is no root for topics"),
        ("--topic-root", "/benchd", "is no root for topics"),
        ("--topic-root", "benchd/", "is no root for topics"),
        ("--topic-root", "a//b", "is no root for topics"),
        ("--topic-root", "a/#", "is no root for topics"),
        ("--topic-root", "+", "is no root for topics"),
        ("--topic-root", "$SYS", "is no root for topics"),
        ("--topic-root", "a\tb", "is no root for topics"),
        ("--topic-root", "x" * 201, "is no root for topics"),
        ("--trace-points", "1", "one point is no trace"),
        ("--broker-protocol", "5.0", "the broker on board speaks MQTT 3.1.1, not 5.0"),
    ],
)
def test_an_option_that_cannot_act_is_refused(
    benchd: Any, served: list[ServiceSettings], option: str, value: str, said: str
) -> None:
    outcome = benchd("serve", "--bench", "b.yaml", option, value)
    assert outcome.code == 1
    assert outcome.err.startswith(f"{option}: ")
    assert said in outcome.err
    assert served == []


@pytest.mark.parametrize("text", ["8520", ":8520", "host:", "host:x", "host:70000", "host:-1", ""])
def test_an_address_that_is_none(text: str) -> None:
    with pytest.raises(UserError, match=r"is not HOST:PORT, such as 127\.0\.0\.1:8520"):
        read_address(text)


def test_a_secret_file_that_is_missing_or_empty(tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.write_text("\nsecond line\n")
    with pytest.raises(UserError, match=r"--token-file: .*empty holds nothing on its first line"):
        read_secret(empty, "--token-file")
    with pytest.raises(UserError, match="--token-file: cannot read the file"):
        read_secret(tmp_path / "none", "--token-file")
    assert read_secret(None, "--token-file") is None


def test_a_recipes_folder_that_is_not_there(benchd: Any, served: list[ServiceSettings]) -> None:
    outcome = benchd("serve", "--bench", "b.yaml", "--recipes", "/nowhere/at/all")
    assert outcome.code == 1
    assert outcome.err == (
        "--recipes: /nowhere/at/all is not a folder.\n"
        "RF: benchd knows no source of this bench and has switched none on.\n"
    )
    assert served == []


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_and_every_option_has_help(command: str) -> None:
    found = GROUP.commands[command]  # type: ignore[attr-defined]
    assert found.short_help.endswith(".")
    assert found.help
    unexplained = [p.name for p in found.params if not getattr(p, "help", None)]
    assert unexplained == []


@pytest.mark.parametrize("command", COMMANDS)
def test_help_is_printed_and_names_every_option(benchd: Any, command: str) -> None:
    outcome = benchd(command, "--help")
    assert (outcome.code, outcome.err) == (0, "")
    for parameter in GROUP.commands[command].params:  # type: ignore[attr-defined]
        if parameter.param_type_name == "option":
            assert parameter.opts[0] in outcome.out


def test_the_list_of_commands(benchd: Any) -> None:
    out = benchd("--help").out
    assert "..." not in out.partition("Commands:")[2]  # no summary is cut short
    for command in COMMANDS:
        assert f"  {command} " in out


def test_the_version(benchd: Any) -> None:
    assert benchd("--version").out == "benchd 0.1.0\n"


@pytest.mark.parametrize("arguments", [["dance"], ["jobs", "--nonsense"], ["ready", "a", "b"]])
def test_a_wrong_command_line_gives_exit_code_2(benchd: Any, arguments: list[str]) -> None:
    outcome = benchd(*arguments)
    assert (outcome.code, outcome.out) == (2, "")
    assert "Usage: benchd" in outcome.err


def test_a_command_that_only_asks_does_not_load_the_heavy_rooms() -> None:
    """`benchd jobs` must be quick on a small computer."""
    code = (
        "import sys; from benchd.cli import files, orders, queries, serving; "
        "heavy = {'matplotlib', 'fastapi', 'sqlalchemy', 'pyvisa', 'aiomqtt', 'scipy'}; "
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
