"""What `benchd serve` does before anything else: RF off, from what was last known to be good.

This comes before the command line is checked, before the bench file, recipes, data folder and
database are read, and before anything heavy is loaded, since all of that can fail. Sources come
from the records on disk and, where no record knows them, from the lines of the bench file.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchd.rfoff.faulty_bench_file import salvaged_from
from benchd.rfoff.ownership import Owner, Ownership, instrument_keys, resolved_hosts
from benchd.rfoff.record import KnownSource, Record, records_in, sources_of
from benchd.rfoff.sending import OWNED, VERIFIED, Outcome, switch_off
from benchd.statefolder import state_folder

PATIENCE_S = 2.0
SYSTEM_FOLDERS = (Path("/var/lib/benchd"),)
"""Where the unit in `deploy` keeps the data of the daemon."""


@dataclass(slots=True)
class Options:
    """What RF off needs of a command line, read without refusing anything."""

    bench: Path | None = None
    data: Path | None = None
    addresses: dict[str, str] = field(default_factory=dict)


def read_options(arguments: Sequence[str]) -> Options:
    """`--bench`, `--data` and `--address` as they stand, `--bench=FILE` as well."""
    options = Options()
    for index, argument in enumerate(arguments):
        name, given, value = argument.partition("=")
        if not given:
            value = arguments[index + 1] if index + 1 < len(arguments) else ""
        if not value:
            continue
        if name == "--bench":
            options.bench = Path(value)
        elif name == "--data":
            options.data = Path(value)
        elif name == "--address":
            instrument, _, place = value.partition("=")
            options.addresses[instrument.strip()] = place.strip()
    return options


def default_data() -> Path:
    """Where the database lies if nothing else is said (XDG base directories)."""
    base = os.environ.get("XDG_DATA_HOME")
    return Path(base or os.path.expanduser("~/.local/share")) / "benchd"


def known_sources(options: Options) -> tuple[list[KnownSource], list[Record]]:
    """The sources that a start must switch off, and the records of this bench.

    Those are the sources of its own records, those of every bench whose daemon died (its record
    is not clean), and those that its bench file names and no record knows. What a daemon that
    ended well has left, and its bench file no longer names, is off and no longer the bench's.
    """
    data = options.data or default_data()
    records = records_in([data, state_folder()])
    own = [record for record in records if record.belongs_to(options.bench, data)]
    left = [record for record in records if record not in own and not record.clean]
    named = [] if options.bench is None else salvaged_from(options.bench, options.addresses)
    addresses = {source.address for source in named}
    found = sources_of([*(record for record in own if not record.clean), *left])
    for source in sources_of(record for record in own if record.clean):
        if not named or source.address in addresses:
            found.append(source)
    known = {source.address for source in found}
    return [*found, *(source for source in named if source.address not in known)], own


@dataclass(slots=True)
class Begun:
    """The start so far: what was switched off, and what this process owns since."""

    options: Options
    ownership: Ownership
    outcomes: list[Outcome]
    records: list[Record]

    def verified(self) -> set[Any]:
        """Keys of the sources that are off by their own word."""
        return {one.source.key for one in self.outcomes if one.state == VERIFIED}

    def unconfirmed(self, bench_addresses: Iterable[str]) -> tuple[list[str], list[Path]]:
        """Sources on record that are none of the bench's and did not say that they are off, as
        "generator at ADDRESS", and the files of the record that name them. The daemon asks its own
        ones itself; of these nobody else speaks.

        bench_addresses: those of the instruments of the bench.
        """
        keys = {key for one in bench_addresses for key in _names_of(one)}
        silent = [
            one.source
            for one in self.outcomes
            if one.state not in (VERIFIED, OWNED) and keys.isdisjoint(_names_of(one.source.address))
        ]
        if not silent:
            return [], []
        silent_keys = {source.key for source in silent}
        data = self.options.data or default_data()
        files = [
            file
            for record in records_in([data, state_folder()])
            if silent_keys & {source.key for source in record.sources}
            for file in record.files
        ]
        return [f"{source.name} at {source.address}" for source in silent], files


def _names_of(address: str) -> tuple[str, ...]:
    return instrument_keys(address, resolved_hosts(address))


_begun: Begun | None = None


def begin(arguments: Sequence[str]) -> Begun:
    """Switch RF off for a `benchd serve` with these arguments. Raises nothing."""
    global _begun
    options = read_options(arguments)
    ownership = Ownership()

    def claim(source: KnownSource, keys: tuple[str, ...]) -> Owner | None:
        return ownership.claim(keys, source.bench or str(options.bench or ""))

    outcomes: list[Outcome] = []
    records: list[Record] = []
    try:
        sources, records = known_sources(options)
        outcomes = switch_off(sources, patience_s=PATIENCE_S, claim=claim, unless_owned=True)
        for outcome in outcomes:
            if outcome.state != VERIFIED:
                _say(f"RF off: {outcome}")
    except Exception as error:
        _say(f"RF off: a fault in benchd kept it from being tried: {error!r}")
    _begun = Begun(options, ownership, outcomes, records)
    return _begun


def begun() -> Begun | None:
    """What `begin` found, in this process."""
    return _begun


def say_how_rf_stands() -> None:
    """For a start that failed: try once more, and say whether RF is verified off.

    Only what this process owns is asked again; what another daemon owns was never touched.
    """
    if _begun is None:
        return
    try:
        sources, _ = known_sources(_begun.options)
        outcomes = switch_off(
            sources,
            patience_s=PATIENCE_S,
            claim=lambda source, keys: _begun.ownership.claim(keys, source.bench),
            unless_owned=True,
        )
    except Exception as error:
        _say(f"RF off is NOT verified: a fault in benchd: {error!r}. Switch the source off by hand")
        return
    if not outcomes:
        _say("RF: benchd knows no source of this bench and has switched none on.")
        return
    for outcome in outcomes:
        _say(f"RF: {outcome}")
    if all(outcome.state == VERIFIED for outcome in outcomes):
        _say("RF is off, verified.")
    elif any(outcome.state not in (VERIFIED, OWNED) for outcome in outcomes):
        _say("RF is NOT verified off.")


def _say(text: str) -> None:
    with suppress(OSError, ValueError):
        print(text, file=sys.stderr, flush=True)
