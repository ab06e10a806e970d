"""Commands that write files: export, plot, schemas.

What they do stands in `job_files`, which is imported when one of them runs: it loads what draws and
decodes curves.
"""

from __future__ import annotations

import json as json_module
from pathlib import Path
from typing import Annotated

import typer

from benchd.cli.client import DEFAULT_URL
from benchd.cli.connection import connect
from benchd.cli.export_formats import Format
from benchd.cli.options import DaemonUrl
from benchd.cli.screen import plain, say
from benchd.errors import OrderRefused

What = Annotated[
    str, typer.Argument(metavar="CAPTURE|JOB", help="The id of a capture or of a job.")
]


def export(
    what: What,
    format: Annotated[Format, typer.Option("--format", help="The format to write.")] = Format.CSV,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="PATH",
            help="A file for a capture; for a job a folder, which gets its captures too.",
        ),
    ] = None,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:  # fmt: skip
    """Write a capture or a job's results to files that other programs read.

    Without --out a capture, or a job's results, go to stdout. Touchstone holds reflection only:
    the complex traces of a network analyzer, or a job's normalised return loss with angle 0.
    """
    from benchd.cli.job_files import capture_text, export_job, is_job, job_text, put, read_capture

    with connect(daemon) as client:
        if not is_job(what):
            text = capture_text(read_capture(client, what), format)
            put(text, out)
        elif out is None:
            say(job_text(client, what, format).rstrip("\n"))
        else:
            for path in export_job(client, what, format, out):
                say(str(path))


def plot(
    what: Annotated[
        list[str],
        typer.Argument(
            metavar="CAPTURE|JOB|ANTENNA...",
            help="The id of a capture or of a job, or an antenna's name; several are drawn over "
            "each other.",
        ),
    ],
    out: Annotated[
        Path,
        typer.Option("--out", metavar="DIR", help="The folder to write to; it is made."),
    ] = Path("plots"),
    levels: Annotated[
        bool,
        typer.Option(
            "--levels",
            help="Of a job, draw the recorded levels too: those of one result together.",
        ),
    ] = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:
    """Draw what a job has found, or a capture, as PNG and SVG files.

    What matters stands first in the list. Recorded levels are drawn with --levels, and where
    there is nothing else. Several jobs, captures or antennas are drawn over each other; an antenna
    stands for its newest job.
    """
    from benchd.cli.job_files import gather_job, is_job, make_folder, read_capture
    from benchd.cli.overlay import plot_over_each_other
    from benchd.report.plots import plot_capture, plot_job

    with connect(daemon) as client:
        if len(what) > 1 or not what[0].startswith(("job-", "cap-")):
            paths = plot_over_each_other(client, what, make_folder(out))
        elif is_job(what[0]):
            found = gather_job(client, what[0], levels=levels)
            paths = plot_job(found, make_folder(out), levels=levels)
        else:
            capture = read_capture(client, what[0])
            recipe = client.get(f"/api/jobs/{capture.job_id}")["recipe"]
            paths = plot_capture(capture, recipe, make_folder(out), zone=client.zone)
    for path in paths:
        say(plain(str(path)))


def schemas(
    name: Annotated[
        str | None,
        typer.Argument(
            metavar="[NAME]",
            help="Print this one instead, such as recipe, benchd.result/1 or json-results.",
        ),
    ] = None,
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="The folder to write to; it is made.")
    ] = Path("schemas"),
) -> None:
    """Write JSON Schemas: of bench files and recipes for your editor, of what is published, and of
    what each command prints with --json (json-COMMAND). With NAME, print one.

    Needs no daemon.
    """
    from benchd.cli.job_files import make_folder, write_file
    from benchd.cli.json_contract import json_schemas
    from benchd.files.yamlfile import nearest
    from benchd.publish import schemas as payload_schemas
    from benchd.recipe import schemas as file_schemas
    from benchd.report.plots import safe_name

    found = {**file_schemas(), **payload_schemas(), **json_schemas()}
    if name is not None:
        if name not in found:
            raise OrderRefused(f'there is no schema "{name}", {nearest(name, found)}')
        say(json_module.dumps(found[name], indent=2, ensure_ascii=False))
        return
    make_folder(out)
    for one, schema in sorted(found.items()):
        text = json_module.dumps(schema, indent=2, ensure_ascii=False) + "\n"
        say(str(write_file(out / f"{safe_name(one)}.schema.json", text)))
