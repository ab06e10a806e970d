"""One bench, checked as a whole, with its hashes."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic_core import PydanticCustomError

from benchd.bench.checks import find_problems
from benchd.bench.hash_form import ADDED_TO_BOX, digest, stated
from benchd.bench.instrument_checks import address_faults
from benchd.bench.instruments import (
    ADDRESS,
    AnalyzerInstrument,
    Receiver,
    SourceInstrument,
    SwitchInstrument,
)
from benchd.bench.model import BenchFile
from benchd.bench.register import read_registers, register_files, registered, together
from benchd.bench.routes import Route
from benchd.errors import BenchFileError, Problem
from benchd.files.filemodel import read_model
from benchd.files.yamlfile import Document, in_order, nearest, parse_document, read_document
from benchd.moments import zone_named
from benchd.worksheet import SwitchSetting

BenchText = tuple[tuple[str, str], ...]
"""Name and text of the bench file, then of its register files: enough to read the bench again."""


_NAMES_ANTENNA = re.compile(r"range_antenna$|_spread_of\b")


class Bench(BenchFile):
    """A bench file that holds together. Immutable."""

    @property
    def zone(self) -> ZoneInfo:
        """The time zone in which windows of jobs are meant and times are shown."""
        return zone_named(self.timezone)

    @property
    def hash(self) -> str:
        """SHA-256 (hexadecimal) of everything but addresses and the register's place.

        Addresses are left out since the same bench may be reached another way, and comments and
        spellings ("0.4 GHz", "400 MHz") since they change nothing. See `benchd.bench.hash_form`.
        """
        content = stated(self)
        content.pop("registers", None)
        for instrument in content["instruments"].values():
            del instrument["address"]
        return digest(content)

    def route_fixtures(self, route: str) -> dict[str, str]:
        """Short hashes of what a route leads through: fixtures, switches, and the box.

        A baseline fits a later capture only where these agree. Order and arms of the route are
        part of the hash of the entry `route`.
        """
        described = self.routes[route]
        parts: dict[str, Any] = {
            "route": {"out": described.out, "back": described.back, "kind": described.kind}
        }
        for element in (*described.out, *described.back):
            name = element.partition(".")[0]
            if name in self.fixtures:
                parts[name] = stated(self.fixtures[name])
            else:
                switch = stated(self.instruments[name])
                parts[name] = {key: switch[key] for key in ("banks", "loss_db")}
        if described.kind == "transmission" and self.box is not None:
            parts["box"] = {
                key: value
                for key, value in stated(self.box).items()
                if value is not None or key not in ADDED_TO_BOX
            }
        return {name: digest(content)[:12] for name, content in parts.items()}

    def with_addresses(self, addresses: Mapping[str, str]) -> Bench:
        """The same bench with some instruments at other addresses.

        Raises BenchFileError for unknown instruments and for text that is no resource string.
        """
        document = Document("address given", "", {})
        problems: list[Problem] = []
        changed: dict[str, Any] = dict(self.instruments)
        for name, address in addresses.items():
            if name not in changed:
                hint = nearest(name, changed)
                problems.append(document.problem((name,), f"is no instrument, {hint}"))
                continue
            try:
                checked = ADDRESS.read(address)
            except PydanticCustomError as error:
                problems.append(document.problem((name,), str(error)))
                continue
            changed[name] = changed[name].model_copy(update={"address": checked})
        all_addresses = {name: instrument.address for name, instrument in changed.items()}
        problems.extend(
            document.problem((name,), message) for name, message in address_faults(all_addresses)
        )
        if problems:
            raise BenchFileError(problems)
        return self.model_copy(update={"instruments": changed})

    def source_of(self, route: Route) -> SourceInstrument | AnalyzerInstrument:
        """The instrument that a route starts from (an analyzer, if it tracks itself)."""
        instrument = self.instruments[route.source]
        assert isinstance(instrument, (SourceInstrument, AnalyzerInstrument))
        return instrument

    def analyzer_of(self, route: Route) -> Receiver:
        """The instrument that a route ends in: an analyzer, or a power meter in its place."""
        instrument = self.instruments[route.analyzer]
        assert isinstance(instrument, Receiver)
        return instrument

    def switch_settings(self, route: str, position: str | None) -> tuple[SwitchSetting, ...]:
        """The channels that each switch closes for a route and one of its positions."""
        found = self.routes[route]
        channels: dict[str, list[int]] = {}
        for choice in (found.switch, found.positions[position] if position else {}):
            for switch, banks in choice.items():
                for bank, throw in banks.items():
                    channel = self.switch(switch).banks[bank][throw]
                    channels.setdefault(switch, []).append(channel)
        return tuple(
            SwitchSetting(instrument=name, channels=tuple(numbers))
            for name, numbers in channels.items()
            if numbers
        )

    def switch(self, name: str) -> SwitchInstrument:
        """The switch of that name."""
        instrument = self.instruments[name]
        assert isinstance(instrument, SwitchInstrument)
        return instrument


def load_bench(path: Path | str, *, file: str = "") -> Bench:
    """Read a bench file with its registers of antennas. Raises BenchFileError with all problems."""
    return read_bench(path, file=file)[0]


def read_bench(path: Path | str, *, file: str = "") -> tuple[Bench, BenchText]:
    """As `load_bench`, and the text of every file that it was read from."""
    document = read_document(Path(path), error=BenchFileError, file=file)
    bench = read_model(Bench, document, error=BenchFileError)
    registers = read_registers(register_files(Path(path), bench.registers))
    written = tuple((one.file, one.text) for one in (document, *registers))
    return _checked(bench, document, registers), written


def load_without_registers(path: Path | str) -> Bench:
    """A bench file alone, for whoever asks for nothing but its instruments.

    A fault in a register must not keep anybody from switching RF off. Raises BenchFileError.
    """
    document = read_document(Path(path), error=BenchFileError)
    bench = read_model(Bench, document, error=BenchFileError)
    problems = [one for one in find_problems(bench, document) if not _NAMES_ANTENNA.search(one.key)]
    if problems:
        raise BenchFileError(in_order(problems))
    return bench


def parse_bench(text: str, *, file: str = "bench") -> Bench:
    """Read a bench file's text. Raises BenchFileError with all its problems."""
    return parse_written(((file, text),))


def parse_written(written: BenchText) -> Bench:
    """A bench from the texts that `read_bench` gave. Raises BenchFileError."""
    documents = [parse_document(text, file=file, error=BenchFileError) for file, text in written]
    bench = read_model(Bench, documents[0], error=BenchFileError)
    return _checked(bench, documents[0], documents[1:])


def _checked(bench: Bench, document: Document, registers: Sequence[Document]) -> Bench:
    more, problems = registered(registers)
    antennas, twice = together(bench.antennas, document, more)
    whole = bench.model_copy(update={"antennas": antennas})
    problems = in_order([*find_problems(whole, document), *problems, *twice])
    if problems:
        raise BenchFileError(problems)
    return whole
