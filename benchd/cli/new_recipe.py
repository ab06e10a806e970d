"""`benchd new-recipe`: what it is told. What it does is loaded when it runs: `recipe_answers`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

QUANTITIES = "match, resonance, bandwidth, gain"
"""What a question may be about, as `benchd.recipe.question` has it."""


def new_recipe(
    question: Annotated[
        str | None,
        typer.Argument(
            metavar="[QUESTION]",
            help="Such as: how good is this Yagi's match from 1.68 to 1.71 GHz?",
        ),
    ] = None,
    quantity: Annotated[
        list[str] | None,
        typer.Option(
            "--quantity", metavar="NAME", help=f"One of {QUANTITIES}. Repeatable."
        ),
    ] = None,
    antenna: Annotated[
        str | None, typer.Option("--antenna", metavar="NAME", help="The antenna that is meant.")
    ] = None,
    band: Annotated[
        str | None,
        typer.Option("--band", metavar="BAND", help='Such as "1.68 GHz to 1.71 GHz".'),
    ] = None,
    at: Annotated[
        list[str] | None,
        typer.Option("--at", metavar="FREQUENCY", help="A frequency to report. Repeatable."),
    ] = None,
    by: Annotated[
        str | None,
        typer.Option(
            "--by", metavar="WAY",
            help="hand or switch: who fits open, short and antennas. Without it, by switch where "
            "the bench file has positions for them.",
        ),
    ] = None,
    bench: Annotated[
        Path | None,
        typer.Option(
            "--bench", metavar="FILE",
            help="The bench that it is for: its antennas and routes are known then, and the recipe "
            "is checked against it.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="The file to write; it must not exist."),
    ] = None,
) -> None:  # fmt: skip
    """Write a recipe that answers a question, with comments, and check it. Overwrites nothing.

    What of the question is not understood is said, with what is.
    """
    from benchd.cli.recipe_answers import write_recipe

    write_recipe(question, quantity, antenna, band, at, by, bench, out)
