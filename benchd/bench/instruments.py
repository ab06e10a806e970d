"""Can the instruments of a bench file be driven: drivers, wordings, options, addresses?

All of it is asked when the file is read, so that a fault is a line of the file and not a surprise
with RF on.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any

from benchd.bench.model import BenchFile
from benchd.files.yamlfile import KeyPath
from drivers.addresses import canonical_address
from drivers.errors import BadTemplate, DriverError
from drivers.registry import find_driver

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
        if driver.kind != instrument.kind:
            yield (
                (*path, "driver"),
                f'"{instrument.driver}" drives instruments of kind {driver.kind}, expected a '
                f"driver for kind {instrument.kind}",
            )
            continue
        yield from _driver_findings(name, driver, instrument.commands, {}, path)
        yield from _driver_findings(name, driver, {}, instrument.options, path)
        if not instrument.commands.get("identify", "*IDN?") and not instrument.identity:
            yield (
                path,
                "cannot be asked who it is (`identify` is removed), so state it: `identity:`, such "
                "as the maker's plate has it",
            )
        if instrument.replies:
            replies = {"replies": instrument.replies}
            yield from _driver_findings(name, driver, {}, replies, path)
    addresses = {name: instrument.address for name, instrument in bench.instruments.items()}
    for name, message in address_faults(addresses):
        yield ("instruments", name, "address"), message


def address_faults(addresses: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Instruments whose address is no address, or reaches an instrument named before.

    Two entries at one address would read each other's replies.
    """
    taken: dict[str, str] = {}
    for name, address in addresses.items():
        try:
            place = canonical_address(address)
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
