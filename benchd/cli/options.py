"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchd.errors import UserError

DaemonUrl = Annotated[
    str,
    typer.Option(
        "--daemon", envvar="BENCHD_DAEMON", metavar="URL",
        help="Where the daemon listens. A token it may want is read from BENCHD_TOKEN.",
    ),
]  # fmt: skip
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON, as the HTTP API gives it.")]
Limit = Annotated[
    int, typer.Option("--limit", metavar="N", min=1, max=10_000, help="At most N, newest first.")
]
JobId = Annotated[str, typer.Argument(metavar="JOB", help="The job's id, as benchd jobs shows it.")]
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
    ),
]


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
        return Path(path).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"cannot read the recipe file: {error}") from error
