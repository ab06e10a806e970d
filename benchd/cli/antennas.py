"""Commands about the bench as it is described: bench, and antenna list, show, add."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from benchd.cli.as_json import to_text
from benchd.cli.client import DEFAULT_URL
from benchd.cli.connection import connect
from benchd.cli.options import AsJson, DaemonUrl, read_pairs
from benchd.cli.screen import Screen, cell, note, plain, render, say, screen_of, table
from benchd.errors import OrderRefused
from benchd.moments import time_words
from benchd.rounding import number_words

BenchFile = Annotated[
    Path | None,
    typer.Option("--bench", metavar="FILE", help="This bench file's register, without a daemon."),
]
AntennaName = Annotated[str, typer.Argument(metavar="NAME", help="The antenna's name.")]

antenna = typer.Typer(
    help="List the antennas of the bench, show one, or add one to the register.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


def bench(json: AsJson = False, daemon: DaemonUrl = DEFAULT_URL) -> None:
    """Show which files the bench was read from, and what keeps a change of them from being used.

    Exits with 1 where a change of the files is not in force.
    """
    with connect(daemon) as client:
        found = client.get("/api/bench")
        zone = client.zone
    if json:
        say(to_text(found, indent=2))
    else:
        rows = [
            ("bench", f"{found['bench']}, {found['title']}"),
            ("files", ", ".join(found["files"]) or "none"),
            ("read", time_words(datetime.fromisoformat(found["read_at"]), zone)),
            ("time zone", found["timezone"]),
            ("antennas", str(found["antennas"])),
            ("hash", found["hash"]),
        ]
        made = table("What", "How it stands")
        for name, words in rows:
            made.add_row(cell(name, "bold"), cell(words))
        say(render(made, screen_of(sys.stdout)))
    if found["trouble"]:
        note(plain(f"The bench stays as it was: {found['trouble']}"))
        raise typer.Exit(1)


@antenna.command("list", short_help="List the antennas of the bench.")
def list_antennas(
    bench: BenchFile = None, json: AsJson = False, daemon: DaemonUrl = DEFAULT_URL
) -> None:
    """List the antennas of the bench file and its register."""
    found = _antennas(bench, daemon)
    say(to_text(found, indent=2) if json else format_antennas(found, screen_of(sys.stdout)))


@antenna.command("show", short_help="Show all that is stated of one antenna.")
def show_antenna(
    name: AntennaName,
    bench: BenchFile = None,
    json: AsJson = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:
    """Show all that is stated of one antenna."""
    found = _antennas(bench, daemon)
    one = next((each for each in found if each["name"] == name), None)
    if one is None:
        from benchd.files.yamlfile import nearest

        hint = nearest(name, [each["name"] for each in found])
        raise OrderRefused(f'there is no antenna "{name}", {hint}')
    say(to_text(one, indent=2) if json else format_antenna(one, screen_of(sys.stdout)))


@antenna.command("add", short_help="Add an antenna, or a revision of one, to the register.")
def add(
    name: AntennaName,
    start: Annotated[
        str | None,
        typer.Option(
            "--from", metavar="ANTENNA", help="Take over what is stated of this antenna."
        ),
    ] = None,
    arm: Annotated[
        str | None, typer.Option("--arm", metavar="LENGTH", help='Length of one arm: "41.2 mm".')
    ] = None,
    revision: Annotated[
        str | None,
        typer.Option(
            "--revision", metavar="TEXT",
            help="Revision of the design; without it, the end of a name such as dipole r4.",
        ),
    ] = None,
    kind: Annotated[
        str | None,
        typer.Option("--type", metavar="TYPE", help="What it is: dipole, yagi, patch, ..."),
    ] = None,
    design_frequency: Annotated[
        str | None,
        typer.Option("--design-frequency", metavar="FREQUENCY", help='Such as "868 MHz".'),
    ] = None,
    largest_dimension: Annotated[
        str | None,
        typer.Option("--largest-dimension", metavar="LENGTH", help='Such as "165 mm".'),
    ] = None,
    setting: Annotated[
        list[str] | None,
        typer.Option(
            "--set", metavar="KEY=VALUE",
            help="Any other key of an antenna or of its trim: --set diameter=\"1 mm\". Repeatable.",
        ),
    ] = None,
    bench: BenchFile = None,
    json: AsJson = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:  # fmt: skip
    """Add an antenna to the register beside the bench file. The daemon knows it at once.

    With --from the new one takes over what is stated of another, but neither its gain nor what it
    reaches, which were found with that one. Nothing else in the file is changed.
    """
    given = {
        "arm": arm, "revision": revision, "type": kind, "design_frequency": design_frequency,
        "largest_dimension": largest_dimension,
    }  # fmt: skip
    changes = {key: value for key, value in given.items() if value is not None}
    changes |= read_pairs(setting, "--set")
    if bench is not None:
        from benchd.bench.register_entry import add_antenna

        _, file = add_antenna(bench, name, start, changes)
        found = next(one for one in _antennas(bench, daemon) if one["name"] == name)
        found = {**found, "file": str(file)}
    else:
        body = {"name": name, "start": start, "changes": changes}
        with connect(daemon) as client:
            found = client.post("/api/antennas", body)
    if json:
        say(to_text(found, indent=2))
        return
    say(plain(f'"{name}" stands in {found["file"]}.'))
    say(format_antenna(found, screen_of(sys.stdout)))


def _antennas(bench: Path | None, daemon: str) -> list[dict[str, Any]]:
    if bench is None:
        with connect(daemon) as client:
            return list(client.get("/api/antennas"))
    from benchd.bench import load_bench
    from benchd.engine.bench_documents import antenna_document

    return [antenna_document(name, one) for name, one in load_bench(bench).antennas.items()]


def format_antennas(found: Sequence[Mapping[str, Any]], screen: Screen) -> str:
    """Antennas as a table."""
    if not found:
        return "The bench has no antennas. Add one with benchd antenna add."
    made = table("Antenna", "Type", "Revision", "Designed for", "Arm", "Known gain")
    for each in found:
        trim = each.get("trim") or {}
        made.add_row(
            cell(each["name"], "bold"),
            cell(each.get("type") or "-"),
            cell(each.get("revision") or "-"),
            cell(number_words(each["design_frequency_hz"], "Hz")),
            cell(number_words(trim["arm_m"], "m") if trim.get("arm_m") else "-"),
            cell("yes" if each.get("reference") else "-"),
        )
    return render(made, screen)


_UNITS = {"hz": "Hz", "m": "m", "db": "dB", "dbi": "dBi", "deg": "deg", "ppm": "ppm"}


def format_antenna(one: Mapping[str, Any], screen: Screen) -> str:
    """All that is stated of one antenna, a line each."""
    made = table("What", "Stated")
    for key, value in _flat(one):
        made.add_row(cell(key, "bold"), cell(value))
    return render(made, screen)


def _flat(values: Mapping[str, Any], before: str = "") -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    for key, value in values.items():
        if value is None or key == "file":
            continue
        words, unit = _words(key)
        name = f"{before}{words}"
        if isinstance(value, Mapping) and "values" in value:
            rows.append((name, _over(value, unit)))
        elif isinstance(value, Mapping):
            rows += _flat(value, f"{name}: ")
        elif isinstance(value, float):
            rows.append((name, number_words(value, unit)))
        else:
            rows.append((name, str(value)))
    return rows


def _words(key: str) -> tuple[str, str]:
    stem, _, end = key.rpartition("_")
    return (stem.replace("_", " "), _UNITS[end]) if end in _UNITS else (key.replace("_", " "), "")


def _over(found: Mapping[str, Any], unit: str) -> str:
    values = [number_words(value, unit) for value in found["values"]]
    places = [number_words(one, "Hz") for one in found["frequency_hz"]]
    if not places:
        return values[0]
    return ", ".join(f"{place}: {value}" for place, value in zip(places, values, strict=True))
