"""`benchd man`: the manual page, written from the commands themselves, so that both agree.

The text is roff with the macros of man(7).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import typer

from benchd import __version__
from benchd.cli.screen import say

_FILES = (
    ("~/.local/state/benchd", "What must outlive a lost data folder; BENCHD_STATE moves it."),
)
_EXIT = (
    ("0", "All went well."),
    ("1", "Something was refused or failed; the reason is on stderr."),
    ("2", "The command line is wrong."),
    ("3", "RF is not verified off: somebody must look at the source."),
)
_ENVIRONMENT = (
    ("BENCHD_DAEMON", "Where the daemon listens, as --daemon says."),
    ("BENCHD_TOKEN", "The token of a daemon that wants one."),
    ("BENCHD_STATE", "The folder for what must outlive a lost data folder."),
    ("NO_COLOR", "Set to anything: no colour."),
)
_CAUTION = (
    "RF can harm people, needs a licence wherever it leaves a shielded box, and destroys analyzer "
    "inputs. Local rules, the manuals of the instruments and licensed practice decide. RF is off "
    "unless a sweep is running; benchd rf-off switches it off at once."
)


def man() -> None:
    """Print the manual page of all commands, as man reads it: benchd man | man -l -

    To keep it: benchd man > ~/.local/share/man/man1/benchd.1
    """
    from benchd.cli.app import app

    say(manual(typer.main.get_command(app)))


def manual(program: Any) -> str:
    """The page for the program's command, a group of commands."""
    lines = [
        f'.TH BENCHD 1 "" "benchd {__version__}" "benchd"',
        ".SH NAME",
        r"benchd \- runs measurement recipes on an antenna bench",
        ".SH SYNOPSIS",
        r".B benchd",
        r".I COMMAND",
        r"[\fIOPTIONS\fR] [\fIARGUMENTS\fR]",
        ".SH DESCRIPTION",
        *_paragraphs(program.help),
        ".SH CAUTION",
        *_paragraphs(_CAUTION),
        ".SH COMMANDS",
        *_commands(program, "benchd"),
        ".SH EXIT STATUS",
        *_items(_EXIT),
        ".SH ENVIRONMENT",
        *_items(_ENVIRONMENT),
        ".SH FILES",
        *_items(_FILES),
    ]
    return "\n".join(lines)


def _commands(group: Any, path: str) -> Iterator[str]:
    for name, command in group.commands.items():
        full = f"{path} {name}"
        if getattr(command, "commands", None):
            yield f".SS {_text(full)}"
            yield from _paragraphs(command.help)
            yield from _commands(command, full)
            continue
        arguments = [one for one in command.params if one.param_type_name == "argument"]
        yield f".SS {_text(' '.join([full, *map(_argument, arguments)]))}"
        yield from _paragraphs(command.help)
        yield from _items((_argument(one), one.help or "") for one in arguments)
        options = (one for one in command.params if one.param_type_name == "option")
        yield from _items((_option(one), _about(one)) for one in options)


def _argument(parameter: Any) -> str:
    return str(parameter.metavar or str(parameter.name).upper())


def _option(parameter: Any) -> str:
    names = ", ".join([*parameter.opts, *parameter.secondary_opts])
    if getattr(parameter, "is_flag", False):
        return names
    return f"{names} {parameter.metavar or str(parameter.name).upper()}"


def _about(parameter: Any) -> str:
    default = parameter.default
    told = [str(parameter.help or "")]
    if isinstance(default, (str, int, float)) and not isinstance(default, bool) and default != "":
        told.append(f"Without it: {default}.")
    if parameter.envvar:
        told.append(f"Also read from {parameter.envvar}.")
    return " ".join(filter(None, told))


def _items(rows: Any) -> Iterator[str]:
    for head, text in rows:
        yield ".TP"
        yield f".B {_text(head)}"
        yield _text(text) if text else r"\&"


def _paragraphs(text: str | None) -> Iterator[str]:
    for number, part in enumerate(re.split(r"\n\s*\n", (text or "").strip())):
        if number:
            yield ".PP"
        yield _text(" ".join(part.split()))


def _text(text: str) -> str:
    """Text that roff prints as it stands: no line of it is taken for a request (groff(7))."""
    plain = " ".join(text.split()).replace("\\", r"\e").replace("-", r"\-")
    # Without these, roff makes curly quotes and accents of them.
    plain = plain.replace("'", r"\(aq").replace("^", r"\(ha").replace("~", r"\(ti")
    plain = plain.replace('"', r"\(dq").replace("`", r"\(ga")
    return rf"\&{plain}" if plain.startswith(".") else plain
