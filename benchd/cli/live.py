"""`benchd live`: what it is told. What it does is loaded when it runs: `live_session`."""

from __future__ import annotations

from typing import Annotated

import typer

from benchd.cli.client import DEFAULT_URL
from benchd.cli.options import AsJson, DaemonUrl, Parameters, read_pairs


def live(
    what: Annotated[
        str,
        typer.Argument(metavar="ANTENNA|ROUTE", help="The antenna that you adjust, or a route."),
    ],
    parameter: Parameters = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Do not ask: you have read the worksheet before.")
    ] = False,
    json: AsJson = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:
    """Look at an antenna sweep after sweep while you adjust it. RF is on for as long as you look.

    Shows its return loss over the newest stored open and short of the route, and how much the last
    sweeps differ. k keeps the sweep that is shown, m gives more time, q leaves. Nothing is stored
    before k.
    Parameters: antenna, route, position, centre, span, points, level, show (return-loss,
    over-thru, level), lid (closed, open), max_age, time.
    Exits with 1 if an error ended it, and with 3 if RF is not verified off.
    """
    arguments = read_pairs(parameter, "-p")
    # Before RF goes on, since it loads what draws.
    from benchd.cli.live_session import look_live

    look_live(what, arguments, yes=yes, as_json=json, daemon=daemon)
