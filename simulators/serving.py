"""Serving one virtual bench until it is told to stop."""

from __future__ import annotations

import argparse
import asyncio
import gc
import json
import signal
import sys
from collections.abc import Sequence
from pathlib import Path

from simulators.control import Control, plain_json, serve_control
from simulators.instruments import SimulatedClock, Workbench
from simulators.instruments.all_instruments import UnknownDialectError
from simulators.precise_selector import PreciseSelector
from simulators.transports import Host
from simulators.transports.all_transports import FRONTS, UnknownTransportError
from simulators.world import World, world_path
from simulators.world.files import WorldFileError, shipped_worlds

_HOST = "127.0.0.1"
YOUNG_OBJECTS = (700, 10, 10)
"""How often Python looks for garbage unless it is told otherwise (`gc.set_threshold`)."""


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="benchd-simulator",
        description="Serve the instruments of a virtual bench on loopback ports. Prints one line "
        "of JSON when all of them listen, then runs until SIGTERM or SIGINT.",
    )
    shipped = ", ".join(shipped_worlds())
    parser.add_argument("world", help=f"a world file, or the name of a shipped one: {shipped}")
    parser.add_argument("--seed", type=int, help="replaces `seed:` in the world file")
    parser.add_argument(
        "--time-scale",
        type=float,
        default=1.0,
        help="real seconds for a simulated second: 1 real time (default), 0.1 ten times faster, "
        "0 as fast as possible",
    )
    parser.add_argument("--truth", type=Path, metavar="FILE", help="write the world's truth here")
    parser.add_argument("--control-port", type=int, default=0, help="0 (default): a free one")
    parser.add_argument(
        "--transport",
        action="append",
        default=[],
        metavar="INSTRUMENT=KIND",
        help=f"how an instrument is reached, one of {', '.join(FRONTS)}; may be repeated",
    )
    return parser


def serve(arguments: Sequence[str] | None = None) -> int:
    """Serve. Exit status 0 after a signal, 2 for something wrong in what was asked."""
    options = _parser().parse_args(arguments)
    try:
        world = World.load(world_path(options.world), seed=options.seed)
        clock = SimulatedClock(options.time_scale)
        workbench = Workbench(world, clock)
        host = Host(workbench, host=_HOST, transports=_transports(options.transport))
        if options.truth is not None:
            text = json.dumps(world.truth(), default=plain_json, indent=1)
            options.truth.write_text(text + "\n", encoding="utf-8")
        selector = PreciseSelector()
        clock.arrival_s = selector.woken_s
        # What lives as long as the program need not be looked through for garbage again and again.
        gc.freeze()
        with asyncio.Runner(loop_factory=lambda: asyncio.SelectorEventLoop(selector)) as runner:
            runner.run(_serve(host, options.control_port))
    except (
        WorldFileError,
        UnknownDialectError,
        UnknownTransportError,
        ValueError,
        OSError,
    ) as error:
        print(f"benchd-simulator: {error}", file=sys.stderr)
        return 2
    return 0


def _transports(pairs: Sequence[str]) -> dict[str, str]:
    chosen = {}
    for pair in pairs:
        name, separator, kind = pair.partition("=")
        if not separator:
            raise ValueError(f"--transport {pair}: expected INSTRUMENT=KIND")
        chosen[name] = kind
    return chosen


async def _serve(host: Host, control_port: int) -> None:
    stopped = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stopped.set)
    await host.start()
    server = await serve_control(Control(host), _HOST, control_port)
    ready = {
        "ready": True,
        "instruments": host.resources(),
        "control": {"host": _HOST, "port": server.sockets[0].getsockname()[1]},
    }
    # What was loaded stays to the end: from here on nobody looks for garbage in it.
    gc.freeze()
    gc.set_threshold(*YOUNG_OBJECTS)
    print(json.dumps(ready), flush=True)
    await stopped.wait()
    server.close()
    host.stop()
