"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from benchd.cli.completion import job_ids, recipe_names
from benchd.errors import UserError
from benchd.untrusted import LARGEST_FILE_BYTES, read_text, whole_number, why

DaemonUrl = Annotated[
    str,
    typer.Option(
        "--daemon", envvar="BENCHD_DAEMON", metavar="URL",
        help="Where the daemon listens. A token it may want is read from BENCHD_TOKEN.",
    ),
]  # fmt: skip
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON, as the HTTP API gives it.")]


def whole(least: int, most: int) -> Callable[[str | int], int]:
    """A reader of whole numbers within limits, in ASCII digits, for `typer.Option(parser=...)`."""

    def integer(text: str | int) -> int:
        try:
            number = whole_number(str(text))
        except ValueError:
            raise typer.BadParameter(f"{str(text)[:40]!r} is no whole number.") from None
        if not least <= number <= most:
            raise typer.BadParameter(f"{number} is not in the range {least} to {most}.")
        return number

    return integer


Limit = Annotated[
    int,
    typer.Option(
        "--limit", metavar="N", parser=whole(1, 10_000), help="At most N, newest first."
    ),
]  # fmt: skip
JobId = Annotated[
    str,
    typer.Argument(
        metavar="JOB", help="The job's id, as benchd jobs shows it.", autocompletion=job_ids
    ),
]
Parameters = Annotated[
    list[str] | None,
    typer.Option(
        "--parameter", "-p", metavar="NAME=VALUE",
        help='Set a parameter of the recipe, with its unit: -p centre="1.7 GHz". Repeatable.',
    ),
]  # fmt: skip
RecipeArgument = Annotated[
    str,
    typer.Argument(
        metavar="RECIPE",
        help="A recipe's name, as benchd recipes lists it, or the path of a .yaml file.",
        autocompletion=recipe_names,
    ),
]
Priority = Annotated[
    int,
    typer.Option(
        "--priority", metavar="N", parser=whole(-100, 100),
        help="Jobs with a higher number run first.",
    ),
]  # fmt: skip
NotBefore = Annotated[
    str | None,
    typer.Option(
        "--not-before", metavar="TIME",
        help='Start at this time of the bench\'s zone or later: "22:30" or "2026-03-01 22:30".',
    ),
]  # fmt: skip


def read_pairs(pairs: list[str] | None, option: str) -> dict[str, str]:
    """NAME=VALUE pairs as a dictionary. Raises UserError for one without a name or a "="."""
    read: dict[str, str] = {}
    for pair in pairs or []:
        name, found, value = pair.partition("=")
        if not found or not name.strip():
            raise UserError(f'"{pair}" is not NAME=VALUE.', where=option)
        if name.strip() in read:
            raise UserError(f'"{name.strip()}" is given twice.', where=option)
        read[name.strip()] = value.strip()
    return read


def is_file(recipe: str) -> bool:
    """True where RECIPE is meant as a file, not as a name."""
    return recipe.endswith((".yaml", ".yml")) or "/" in recipe or "\\" in recipe


def read_recipe_file(path: str) -> str:
    """The text of a recipe file. Raises UserError where it cannot be read."""
    try:
        return read_text(Path(path), LARGEST_FILE_BYTES)
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"cannot read the recipe file: {path}: {why(error)}.") from error
