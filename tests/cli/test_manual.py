"""The manual page holds every command and option, and roff reads it as it is meant."""

from __future__ import annotations

import re
from typing import Any

import pytest
import typer

from benchd.cli.app import app
from benchd.cli.manual import manual

PROGRAM: Any = typer.main.get_command(app)
PAGE = manual(PROGRAM)


def _plain(text: str) -> str:
    for written, meant in ((r"\-", "-"), (r"\(aq", "'"), (r"\(dq", '"'), (r"\(ga", "`"),
                           (r"\(ti", "~"), (r"\(ha", "^"), (r"\&", ""), (r"\e", "\\")):  # fmt: skip
        text = text.replace(written, meant)
    return text


def _every(group: Any, path: str = "benchd") -> Any:
    for name, command in group.commands.items():
        if getattr(command, "commands", None):
            yield from _every(command, f"{path} {name}")
        else:
            yield f"{path} {name}", command


@pytest.mark.parametrize(("path", "command"), [*_every(PROGRAM)], ids=lambda one: str(one)[:30])
def test_every_command_stands_there_with_all_its_options(path: str, command: Any) -> None:
    parts = _plain(PAGE).split("\n.SS ")
    (part,) = [one for one in parts if re.match(rf"{re.escape(path)}( |\n)", one)]
    told = " ".join(part.split())
    assert " ".join(command.help.split("\n\n")[0].split()) in told
    for parameter in command.params:
        if parameter.param_type_name == "option":
            assert set(parameter.opts) <= set(re.findall(r"--?[\w-]+", part)), parameter.opts
        if getattr(parameter, "help", None):
            assert " ".join(parameter.help.split()) in told


def test_nothing_is_taken_for_a_request_of_roff_that_is_none() -> None:
    requests = {line.split(" ")[0] for line in PAGE.splitlines() if line.startswith((".", "'"))}
    assert requests == {".TH", ".SH", ".SS", ".B", ".I", ".TP", ".PP"}
    known = re.compile(r"\\(-|&|e|f[IR]|\((aq|dq|ga|ti|ha))")
    assert "\\" not in known.sub("", PAGE)
    assert PAGE.isascii()


def test_it_is_printed_by_the_command(benchd: Any) -> None:
    outcome = benchd("man")
    assert (outcome.code, outcome.out.rstrip("\n")) == (0, PAGE)
