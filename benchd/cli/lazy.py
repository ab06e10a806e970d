"""Commands that are imported when they are asked for.

`benchd jobs` must not wait for what only `benchd plot` needs, and `benchd --help` for neither: it
prints the names and summaries of a table.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, MutableMapping
from dataclasses import dataclass
from importlib import import_module
from typing import Any

import typer
import typer.main
from typer.core import TyperGroup


@dataclass(frozen=True)
class Entry:
    """One command: its name, where its function or its group stands (`module:name` below
    `benchd.cli`), and the line about it that the list of commands shows."""

    name: str
    place: str
    summary: str


class Commands(MutableMapping[str, Any]):
    """Command name -> command of the library, made when it is first asked for."""

    def __init__(self, entries: tuple[Entry, ...]) -> None:
        self._entries = {entry.name: entry for entry in entries}
        self._made: dict[str, Any] = {}

    def __getitem__(self, name: str) -> Any:
        if name not in self._made:
            self._made[name] = loaded(self._entries[name])
        return self._made[name]

    def __setitem__(self, name: str, command: Any) -> None:
        self._made[name] = command

    def __delitem__(self, name: str) -> None:
        self._entries.pop(name, None)
        self._made.pop(name, None)

    def __iter__(self) -> Iterator[str]:
        return iter(self._entries)

    def __contains__(self, name: object) -> bool:
        return name in self._entries

    def __len__(self) -> int:
        return len(self._entries)

    def summaries(self) -> Mapping[str, str]:
        """Command name -> the line about it; nothing is imported for it."""
        return {name: entry.summary for name, entry in self._entries.items()}


def loaded(entry: Entry) -> Any:
    """The command of the library, or the group, that stands at that place."""
    module, _, name = entry.place.partition(":")
    found = getattr(import_module(f"benchd.cli.{module}"), name)
    if isinstance(found, typer.Typer):
        group: Any = typer.main.get_command(found)
        group.name, group.short_help = entry.name, entry.summary
        return group
    alone = typer.Typer(
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    alone.command(name=entry.name, short_help=entry.summary)(found)
    return typer.main.get_command(alone)


def lazy_group(entries: tuple[Entry, ...]) -> type[TyperGroup]:
    """The class of a group with these commands, in this order."""

    class LazyGroup(TyperGroup):
        """A group whose commands are imported when they are asked for."""

        def __init__(self, **given: Any) -> None:
            super().__init__(**given)
            self.commands: Any = Commands(entries)

        def list_commands(self, ctx: Any) -> list[str]:
            """The names, in the order of the table."""
            return list(self.commands)

        def format_commands(self, ctx: Any, formatter: Any) -> None:
            """The list of commands in `--help`, from the table alone."""
            with formatter.section("Commands"):
                formatter.write_dl(list(self.commands.summaries().items()))

    return LazyGroup
