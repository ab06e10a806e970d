"""Can the instruments of a bench file be driven: drivers, wordings, options, addresses?

All of it is asked when the file is read, so that a fault is a line of the file and not a surprise
with RF on.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any

from benchd.bench.instruments import BAUD_RATES
from benchd.bench.model import BenchFile
from benchd.files.yamlfile import KeyPath
from drivers.addresses import canonical_address
from drivers.errors import BadTemplate, DriverError
from drivers.protocols import KINDS, METHODS, Tracking, missing
from drivers.registry import find_driver
from drivers.transports import transport_of

Finding = tuple[KeyPath, str]


def instrument_findings(bench: BenchFile) -> Iterator[Finding]:
    """What keeps an instrument from being driven, each with its place in the file."""
    for name, instrument in bench.instruments.items():
        path: KeyPath = ("instruments", name)
        try:
            driver = find_driver(instrument.driver)
        except DriverError as error:
            yield (*path, "driver"), error.message
            continue
        findings = [*_kind_findings(instrument, driver, path)]
        if not findings:
            findings = [*_wording_findings(name, instrument, driver, path)]
        # What is only wrong together shows once nothing is wrong alone.
        yield from findings or _promise_findings(name, instrument, driver, path)
        yield from _line_findings(instrument, path)
    addresses = {name: instrument.address for name, instrument in bench.instruments.items()}
    for name, message in address_faults(addresses):
        yield ("instruments", name, "address"), message


def _line_findings(instrument: Any, path: KeyPath) -> Iterator[Finding]:
    """Settings of a line that the address does not lead over would do nothing."""
    try:
        transport = transport_of(instrument.address)
    except ValueError:
        return  # told at the address
    if instrument.serial is not None:
        if transport != "serial":
            yield (
                (*path, "serial"),
                f"the address {instrument.address} is no serial line (ASRL...), which alone has "
                "such settings; take them out",
            )
        if instrument.serial.baud_rate not in BAUD_RATES:
            rates = ", ".join(map(str, BAUD_RATES))
            yield (
                (*path, "serial", "baud"),
                f"found {instrument.serial.baud_rate}, expected one of {rates}",
            )
    if instrument.terminator != "lf" and transport not in ("serial", "socket"):
        yield (
            (*path, "terminator"),
            f"messages to {instrument.address} end by themselves; a terminator belongs to a raw "
            "socket or a serial line alone, so take it out",
        )


def _kind_findings(instrument: Any, driver: type, path: KeyPath) -> Iterator[Finding]:
    """Is it a driver for instruments of this kind, and can it do all that they must?"""
    kind = getattr(driver, "kind", "")
    if kind != instrument.kind:
        drives = f"instruments of kind {kind}" if kind in KINDS else "no kind that benchd knows"
        yield (
            (*path, "driver"),
            f'"{instrument.driver}" drives {drives}, expected a driver for kind {instrument.kind}',
        )
        return
    yield from _lacks((*path, "driver"), instrument, driver, KINDS[kind], f"of kind {kind}")
    if getattr(instrument, "tracking_level_dbm", None) is not None:
        what = "with a tracking output"
        yield from _lacks((*path, "tracking_level"), instrument, driver, Tracking, what)


def _lacks(
    path: KeyPath, instrument: Any, driver: type, protocol: type, what: str
) -> Iterator[Finding]:
    lacks = [*missing(driver, protocol)]
    if lacks:
        yield (
            path,
            f'the driver "{instrument.driver}" lacks what an instrument {what} must be able to do: '
            f"{'; '.join(lacks)}. Use a driver that has it, or add it to this one",
        )


def _wording_findings(name: str, instrument: Any, driver: Any, path: KeyPath) -> Iterator[Finding]:
    yield from _driver_findings(name, driver, instrument.commands, {}, path)
    yield from _driver_findings(name, driver, {}, instrument.options, path)
    if not instrument.commands.get("identify", "*IDN?") and not instrument.identity:
        yield (
            path,
            "cannot be asked who it is (`identify` is removed), so state it: `identity:`, such as "
            "the maker's plate has it",
        )
    if instrument.replies:
        yield from _driver_findings(name, driver, {}, {"replies": instrument.replies}, path)


def _promise_findings(name: str, instrument: Any, driver: Any, path: KeyPath) -> Iterator[Finding]:
    """Made with all that the file gives it: does it say what it must, and mark what radiates?"""
    faults = [*_driver_findings(name, driver, instrument.commands, instrument.driver_options, path)]
    if faults:
        yield from faults
        return
    made = driver(name, instrument.commands, instrument.driver_options)
    try:
        yield from _radiating_findings(instrument, made, (*path, "driver"))
    except DriverError as error:
        yield (*path, *(error.key if isinstance(error, BadTemplate) else ())), str(error)
    # A stranger's driver may fail in any way; the file is what can be mended.
    except Exception as error:
        fault = f"{type(error).__name__}: {error}"
        yield (*path, "driver"), f'the driver "{instrument.driver}" cannot word its part: {fault}'


def _radiating_findings(instrument: Any, made: Any, path: KeyPath) -> Iterator[Finding]:
    """OFF must be a message, and what switches RF on must be marked as such: benchd writes down its
    sources before a marked message goes out, and never sends one twice."""
    if instrument.kind == "source":
        on = made.rf_on()
        made.set_level(instrument.level_dbm.least)
        made.set_frequency_settled(instrument.frequency_hz.least)
    elif getattr(instrument, "tracking_level_dbm", None) is not None and made.has("tracking_on"):
        on = made.tracking_on(instrument.tracking_level_dbm.least)
    else:
        return
    off = made.rf_off()
    if made.can_tell_rf:
        made.rf_query()
    fault = ""
    if not off:
        fault = "says nothing to switch RF off"
    elif any(exchange.radiates for exchange in off):
        fault = "marks a message that switches RF off with `radiates`"
    elif not any(exchange.radiates for exchange in on):
        fault = "marks none of the messages that switch RF on with `radiates`"
    if fault:
        yield path, f'the driver "{instrument.driver}" {fault}; benchd relies on that for safety'


def address_faults(addresses: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Instruments whose address is no address, or reaches an instrument named before.

    Two entries at one address would read each other's replies.
    """
    taken: dict[str, str] = {}
    for name, address in addresses.items():
        try:
            place = canonical_address(address)
            transport_of(address)
        except ValueError as error:
            yield name, str(error)
            continue
        if place in taken:
            other = taken[place]
            same = "" if address == addresses[other] else f", which it writes {addresses[other]}"
            yield (
                name,
                f"{address} is the address of {other} too{same}; two instruments never share one, "
                "so give each its own",
            )
        taken.setdefault(place, name)


def lacking(bench: BenchFile, name: str, purpose: str) -> tuple[str, ...]:
    """Commands that an instrument would need for a purpose (a sweep method, or what its driver
    names otherwise) and that the bench file removed."""
    ask = getattr(_driver_of(bench, name), "lacks", None)
    # A stranger's driver need not know the question.
    return () if ask is None else tuple(ask(purpose))


def unable(bench: BenchFile, name: str, purpose: str) -> tuple[str, ...]:
    """What the driver of an instrument lacks for a purpose, as `drivers.protocols` says it."""
    instrument = bench.instruments[name]
    driver = find_driver(instrument.driver)
    protocols = METHODS.get((instrument.kind, purpose), ())
    return tuple(lack for protocol in protocols for lack in missing(driver, protocol))


def can(bench: BenchFile, name: str, command: str) -> bool:
    """Whether an instrument has a command: what its driver knows and the bench file left."""
    ask = getattr(_driver_of(bench, name), "has", None)
    return True if ask is None else bool(ask(command))


def unasked_settings(bench: BenchFile, name: str) -> tuple[str, ...]:
    """Settings of a source that it cannot be asked for, such as `level`."""
    return tuple(getattr(_driver_of(bench, name), "unasked_settings", ()))


def _driver_of(bench: BenchFile, name: str) -> Any:
    instrument = bench.instruments[name]
    given = json.dumps([instrument.commands, instrument.driver_options], sort_keys=True)
    return _made(instrument.driver, name, given)


@lru_cache(maxsize=256)
def _made(driver: str, name: str, given: str) -> Any:
    """A driver made once: a worksheet asks for each of its captures."""
    commands, options = json.loads(given)
    return find_driver(driver)(name, commands, options)


def _driver_findings(
    name: str,
    driver: Any,
    commands: Mapping[str, str | None],
    options: Mapping[str, Any],
    path: KeyPath,
) -> Iterator[Finding]:
    try:
        driver(name, commands, options)
    except BadTemplate as error:
        for one in (error, *error.also):
            advice = f" {one.advice}" if one.advice and not one.key else ""
            yield (*path, *one.key), f"{one.message}{advice}"
    except DriverError as error:
        yield path, str(error)
    # A stranger's driver may fail in any way; the file is what can be mended.
    except Exception as error:
        yield path, f"its driver cannot be set up: {type(error).__name__}: {error}"
