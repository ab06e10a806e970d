"""`benchd rf-off`: OFF to every source that is known, at once, and what became of each.

Nothing heavy is imported before the sources that are on record were written to.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from benchd.rfoff.faulty_bench_file import salvaged_from
from benchd.rfoff.record import KnownSource, records_in, sources_of
from benchd.rfoff.sending import OWNED, VERIFIED, Outcome, switch_off
from benchd.rfoff.start import SYSTEM_FOLDERS, default_data
from benchd.statefolder import state_folder

PATIENCE_S = 3.0


@dataclass(frozen=True, slots=True)
class Options:
    """The options of `benchd rf-off`, which `benchd rf-off --help` explains."""

    bench: Path | None = None
    data: Path | None = None
    unless_owned: bool = False


def quick_options(arguments: Sequence[str]) -> Options | None:
    """The options where they are plain; None leaves it to the full reader, which can complain."""
    bench: Path | None = None
    data: Path | None = None
    unless_owned = False
    rest = list(arguments)
    while rest:
        name, given, value = rest.pop(0).partition("=")
        if name == "--unless-owned" and not given:
            unless_owned = True
            continue
        if name not in ("--bench", "--data"):
            return None
        if not given:
            if not rest:
                return None
            value = rest.pop(0)
        if not value:
            return None
        if name == "--bench":
            bench = Path(value)
        else:
            data = Path(value)
    return Options(bench, data, unless_owned)


def run(options: Options) -> int:
    """Switch off, print a line for each source, and return the exit status.

    0: every source says that it is off, or is left to the daemon that owns it as was asked for.
    """
    folders = [options.data or default_data(), state_folder(), *SYSTEM_FOLDERS]
    sources = sources_of(records_in(folders))
    outcomes = _switch_off(_with_bench_lines(sources, options.bench), options)
    outcomes += _switch_off(_from_whole_bench(options.bench, outcomes), options)
    if not outcomes:
        if options.unless_owned:
            print("no source is known: benchd has switched none on yet")
            return 0
        print(
            "No source is known: nothing was sent. Name a bench file with --bench, or the data "
            "folder of the daemon with --data; the records of another user need that user's or "
            "root's rights. Is RF on? Switch it off by hand.",
            file=sys.stderr,
        )
        return 1
    return 0 if all(one.state in (VERIFIED, OWNED) for one in outcomes) else 1


def _with_bench_lines(sources: list[KnownSource], bench: Path | None) -> list[KnownSource]:
    if bench is None:
        return sources
    known = {source.address for source in sources}
    return [*sources, *(one for one in salvaged_from(bench, {}) if one.address not in known)]


def _from_whole_bench(bench: Path | None, done: list[Outcome]) -> list[KnownSource]:
    """What only the full reading of a bench file tells: words of drivers from other packages."""
    if bench is None:
        return []
    from benchd.errors import BenchdError

    known = {(one.source.address, one.source.off) for one in done}
    try:
        from benchd.engine.source_record import sources_of_file

        found = sources_of_file(bench)
    except BenchdError as error:
        print(f"{bench} cannot be loaded, only its plain lines were used: {error}", file=sys.stderr)
        return []
    return [source for source in found if (source.address, source.off) not in known]


def _switch_off(sources: list[KnownSource], options: Options) -> list[Outcome]:
    outcomes = switch_off(sources, patience_s=PATIENCE_S, unless_owned=options.unless_owned)
    for outcome in outcomes:
        with suppress(OSError, ValueError):
            print(outcome, flush=True)
    return outcomes
