"""Drivers by name, found through the entry point group `benchd.drivers`."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from importlib.metadata import EntryPoint, EntryPoints, entry_points

from drivers.errors import UnknownDriver
from drivers.instrument import Instrument
from drivers.templates import nearest

GROUP = "benchd.drivers"


def driver_names() -> list[str]:
    """Names of all drivers that installed packages offer."""
    return sorted(_offered(entry_points))


def find_driver(name: str) -> type[Instrument]:
    """The driver class of this name.

    Raises UnknownDriver, naming the nearest driver there is, or why the package that offers it
    cannot be loaded.
    """
    found = _offered(entry_points)
    if name not in found:
        best = nearest(name, list(found))
        known = ", ".join(sorted(found)) or "none"
        hint = f"did you mean `{best}`?" if best else f"installed: {known}."
        raise UnknownDriver("", f"there is no driver `{name}`; {hint}")
    return _loaded(found[name])


@lru_cache(maxsize=1)
def _offered(ask: Callable[..., EntryPoints]) -> dict[str, EntryPoint]:
    """Name -> entry. Asked once in a process: it reads the data of every installed package, which
    takes longer than to set up a whole sweep."""
    return {entry.name: entry for entry in ask(group=GROUP)}


def _loaded(entry: EntryPoint) -> type[Instrument]:
    try:
        driver = entry.load()
    # Importing somebody else's package may raise any exception.
    except Exception as error:
        raise UnknownDriver(
            "", f"the driver `{entry.name}` ({entry.value}) cannot be loaded: {error}"
        ) from error
    if not (isinstance(driver, type) and issubclass(driver, Instrument)):
        raise UnknownDriver(
            "",
            f"`{entry.name}` ({entry.value}) is no driver: it must extend drivers.instrument"
            ".Instrument",
        )
    return driver
