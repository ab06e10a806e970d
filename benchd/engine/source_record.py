"""The record of a bench's RF outputs: made from its drivers, kept on disk before RF goes on."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import structlog

from benchd.bench import AnalyzerInstrument, Bench, SourceInstrument
from benchd.bench.bench import load_without_registers
from benchd.engine.driver_errors import translated
from benchd.errors import BenchdError
from benchd.rfoff.ownership import resolved_hosts
from benchd.rfoff.record import (
    KnownSource,
    Record,
    carried_over,
    file_name,
    new_record,
    plain,
    records_in,
)
from benchd.statefolder import state_folder
from drivers.errors import DriverError, UnexpectedReply
from drivers.registry import find_driver

_log = structlog.get_logger(__name__)

_REPLIES = ("0", "1", "OFF", "ON", "+0", "+1", "0.0", "1.0")


class RecordNotKept(BenchdError):
    """The record of sources could not be written, so RF was not switched on."""

    family = "record-not-kept"


def radiating(bench: Bench) -> list[str]:
    """Names of instruments with an RF output: sources, and analyzers with a tracking output."""
    return [
        name
        for name, instrument in bench.instruments.items()
        if isinstance(instrument, SourceInstrument)
        or (
            isinstance(instrument, AnalyzerInstrument) and instrument.tracking_level_dbm is not None
        )
    ]


def made_drivers(bench: Bench) -> dict[str, Any]:
    """Make a driver for each instrument. Raises InstrumentRefused if one cannot be made."""
    with translated():
        return {
            name: find_driver(instrument.driver)(
                name, instrument.commands, instrument.driver_options
            )
            for name, instrument in bench.instruments.items()
        }


def known_sources(bench: Bench, drivers: Mapping[str, Any]) -> list[KnownSource]:
    """How each RF output of the bench is switched off: the messages of its driver."""
    return [_known(name, bench.instruments[name], drivers[name]) for name in radiating(bench)]


def sources_of_file(file: Path) -> list[KnownSource]:
    """The same from a bench file. Raises BenchFileError and InstrumentRefused."""
    bench = load_without_registers(file)
    return known_sources(bench, made_drivers(bench))


def _known(name: str, instrument: Any, driver: Any) -> KnownSource:
    off = tuple(exchange.message for exchange in driver.rf_off())
    query = driver.rf_query() if getattr(driver, "can_tell_rf", True) else None
    command = "rf_query" if isinstance(instrument, SourceInstrument) else "tracking_query"
    form = (driver.options.get("replies") or {}).get(command)
    headed = form is None and driver.options.get("reply_style") == "headed"
    reads = {
        plain(reply): None if query is None else _reads(query.parse, reply, headed)
        for reply in _replies(form)
    }
    return KnownSource(
        name=name,
        address=instrument.address,
        off=off,
        query="" if query is None else query.message,
        off_replies=sum("?" in message for message in off),
        lowest=_lowest(instrument, driver),
        off_words=tuple(word for word, is_on in reads.items() if is_on is False),
        on_words=tuple(word for word, is_on in reads.items() if is_on is True),
        headed=headed,
        terminator=instrument.ending,
        serial=instrument.line_settings,
        resolved=resolved_hosts(instrument.address),
    )


def _replies(form: Any) -> list[str]:
    """Possible replies to the question whether RF is on: those of SCPI and those in the bench file.

    form: the bench file's `replies:` for the question, a text with {value} or a table of words.
    """
    said = form if isinstance(form, dict) else {"form": form} if form else {}
    words = [*_REPLIES]
    for state in ("on", "off"):
        given = said.get(state, [])
        words += [str(word) for word in (given if isinstance(given, list | tuple) else [given])]
    around = str(said.get("form") or "")
    return [*words, *(around.replace("{value}", word) for word in words if "{value}" in around)]


def _reads(parse: Any, word: str, headed: bool) -> bool | None:
    """Whether the driver reads a reply as on; None if it cannot read it."""
    try:
        found = parse(f"RF {word}" if headed else word)
    except (UnexpectedReply, DriverError, ValueError):
        return None
    return found if isinstance(found, bool) else None


def _lowest(instrument: Any, driver: Any) -> tuple[str, ...]:
    """Messages that set the lowest level of the instrument."""
    try:
        if isinstance(instrument, SourceInstrument):
            return (driver.set_level(instrument.level_dbm.least).message,)
        batch = driver.tracking_on(instrument.tracking_level_dbm.least)
        return tuple(exchange.message for exchange in batch if not exchange.radiates)
    except Exception as error:
        # A driver of another package may lack this command. OFF alone is required.
        _log.warning("no words for the lowest level", instrument=instrument, error=repr(error))
        return ()


class SourceRecord:
    """The record of one bench on disk, for as long as a daemon runs.

    verified: keys of sources that were verified off since the earlier records were written. Sources
    of an earlier bench file that are not among them stay in the record.
    """

    def __init__(
        self,
        bench: Bench,
        drivers: Mapping[str, Any],
        bench_file: Path,
        data: Path,
        verified: set[Any] | None = None,
    ) -> None:
        self._lock = threading.Lock()
        self._data = data
        self._bench_file = bench_file
        earlier = records_in([data, state_folder()])
        fresh = new_record(bench.bench, bench_file, data, known_sources(bench, drivers))
        self._record: Record = carried_over(fresh, earlier, verified or set())
        self._name = file_name(bench_file, data)
        self._kept = False

    def follow(self, bench: Bench, drivers: Mapping[str, Any], verified: set[Any]) -> SourceRecord:
        """The record for a changed bench file; sources that are not verified off stay in it."""
        return SourceRecord(bench, drivers, self._bench_file, self._data, verified)

    def keep(self) -> None:
        """Write it to at least one of its two places on disk. Raises RecordNotKept."""
        with self._lock:
            folders = (self._data, state_folder())
            if self._kept and all((folder / self._name).exists() for folder in folders):
                return
            troubles = self._record.keep()
            for trouble in troubles:
                _log.warning("the record of sources lies in one place only", error=str(trouble))
            if len(troubles) == len(folders):
                raise RecordNotKept(
                    "RF stays off: the list of sources, from which a daemon that crashed would "
                    f"switch them off, cannot be written ({troubles[0]}; {troubles[1]}).",
                    where=str(self._data / self._name),
                    advice="Free some space, or make one of the two folders writable.",
                )
            self._kept = True

    def close(self, *, verified_off: bool) -> None:
        """The daemon ends. verified_off: whether every source is verified off."""
        with self._lock:
            if verified_off and self._kept:
                clean = all(source.current for source in self._record.sources)
                self._record = replace(self._record, clean=clean)
                for trouble in self._record.keep():
                    _log.warning("the record of sources was not updated", error=str(trouble))
