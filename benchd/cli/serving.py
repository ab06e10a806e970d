"""`benchd serve`: everything the daemon is told, checked before it starts."""

from __future__ import annotations

import asyncio
import os
import re
from pathlib import Path
from typing import Annotated, Literal

import typer

from benchd.cli.options import read_pairs, whole
from benchd.errors import UserError
from benchd.rfoff.start import default_data
from benchd.untrusted import LARGEST_SECRET_BYTES, read_text, why


def read_address(text: str) -> tuple[str, int]:
    """HOST:PORT, with the brackets of an IPv6 address taken off. Raises UserError."""
    host, _, port = text.rpartition(":")
    if not host or not re.fullmatch("[0-9]{1,5}", port) or int(port) > 65535:
        raise UserError(f'"{text}" is not HOST:PORT, such as 127.0.0.1:8520.', where="--http")
    return host.removeprefix("[").removesuffix("]"), int(port)


def read_name(text: str) -> str:
    """A host name as a browser sends it: small letters, no port, no path. Raises UserError."""
    name = text.lower()
    if len(name) > 253 or not re.fullmatch(r"[a-z0-9_-]+(\.[a-z0-9_-]+)*", name):
        raise UserError(
            f'"{text[:60]}" is not the name of a computer.',
            where="--http-name",
            advice="Give it without http://, port and path, such as bench.lan.",
        )
    return name


def read_secret(file: Path | None, option: str) -> str | None:
    """The first line of a file that holds a secret. Raises UserError."""
    if file is None:
        return None
    try:
        lines = read_text(file, LARGEST_SECRET_BYTES).splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"cannot read the file {file}: {why(error)}.", where=option) from error
    if not lines or not lines[0].strip():
        raise UserError(f"{file} holds nothing on its first line.", where=option)
    return lines[0].strip()


def serve(
    bench: Annotated[Path, typer.Option("--bench", metavar="FILE", help="The bench file.")],
    recipes: Annotated[
        list[Path] | None,
        typer.Option(
            "--recipes", metavar="DIR",
            help="A folder with recipes of your own. They come before shipped ones. Repeatable.",
        ),
    ] = None,
    data: Annotated[
        Path | None,
        typer.Option(
            "--data", metavar="DIR", help="Where the database is kept.",
            show_default="~/.local/share/benchd",
        ),
    ] = None,
    http: Annotated[
        str,
        typer.Option(
            "--http", metavar="HOST:PORT",
            help="Where to listen for commands. Anything but this computer needs a token.",
        ),
    ] = "127.0.0.1:8520",
    http_name: Annotated[
        list[str] | None,
        typer.Option(
            "--http-name", metavar="NAME",
            help="A further name that requests may call this computer by, such as bench.lan. "
            "Repeatable.",
        ),
    ] = None,
    token_file: Annotated[
        Path | None,
        typer.Option(
            "--token-file", metavar="FILE",
            help="Let in only who sends the token on this file's first line (or in BENCHD_TOKEN).",
        ),
    ] = None,
    broker: Annotated[
        str,
        typer.Option(
            "--broker", metavar="URL",
            help="Where results are published: embedded (a broker inside the daemon, on this "
            "computer only), none, or mqtt://USER@HOST:PORT, mqtts:// for TLS.",
        ),
    ] = "embedded",
    broker_password_file: Annotated[
        Path | None,
        typer.Option(
            "--broker-password-file", metavar="FILE",
            help="Holds the broker's password on its first line.",
        ),
    ] = None,
    broker_ca: Annotated[
        Path | None,
        typer.Option(
            "--broker-ca", metavar="FILE",
            help="Certificates to trust for an mqtts broker, instead of the computer's own.",
        ),
    ] = None,
    broker_protocol: Annotated[
        Literal["auto", "3.1.1", "5.0"],
        typer.Option(
            "--broker-protocol",
            help="The version of MQTT; auto tries 5.0, then 3.1.1.",
        ),
    ] = "auto",
    topic_root: Annotated[
        str,
        typer.Option(
            "--topic-root", metavar="TOPIC",
            help="What all topics begin with, before the name of the bench.",
        ),
    ] = "benchd",
    embedded_port: Annotated[
        int,
        typer.Option(
            "--embedded-port", metavar="PORT", parser=whole(0, 65_535),
            help="The embedded broker's port on this computer; 0 takes any free one.",
        ),
    ] = 1883,
    address: Annotated[
        list[str] | None,
        typer.Option(
            "--address", metavar="NAME=RESOURCE",
            help="Use another address for an instrument than the bench file says. Repeatable.",
        ),
    ] = None,
    trace_points: Annotated[
        int,
        typer.Option(
            "--trace-points", metavar="N", parser=whole(0, 1_000_000),
            help="Publish every capture too, thinned to N points; 0 publishes none.",
        ),
    ] = 0,
) -> None:  # fmt: skip
    """Run the daemon: own the bench, run jobs, publish results. RF is off until a job runs.

    Stop it with Ctrl-C or SIGTERM: it stops the sweep, switches RF off, and goes on with the
    interrupted job at the next start as its recipe says.
    """
    host, port = read_address(http)
    addresses = read_pairs(address, "--address")
    token = read_secret(token_file, "--token-file") or os.environ.get("BENCHD_TOKEN") or None
    for folder in recipes or []:
        if not folder.is_dir():
            raise UserError(f"{folder} is not a folder.", where="--recipes")

    from benchd.publish import PublishSettings
    from benchd.rfoff.start import begun
    from benchd.service import ServiceSettings
    from benchd.service import serve as run_service
    from benchd.web.settings import HttpSettings

    settings = ServiceSettings(
        bench=bench,
        data=data if data is not None else default_data(),
        recipes=tuple(recipes or ()),
        addresses=addresses,
        http=HttpSettings(
            host=host, port=port, token=token, names=tuple(map(read_name, http_name or ()))
        ),
        publish=PublishSettings(
            broker=broker,
            password_file=broker_password_file,
            ca_file=broker_ca,
            protocol=broker_protocol,
            root=topic_root,
            embedded_port=embedded_port,
            trace_points=trace_points,
        ),
    )
    asyncio.run(run_service(settings, begun()))
