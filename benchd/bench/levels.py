"""The level budget: could this source level damage anything on its way?

Worst case throughout: the source as much too strong as its accuracy allows, every loss at its
least and every gain at its most over the band, total reflection at a port, and nothing lost
between the two antennas of a range.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Literal

import numpy as np

from benchd.bench.bench import Bench
from benchd.bench.fixtures import AmplifierFixture, CouplerFixture
from benchd.bench.routes import Route
from benchd.files.table import Table
from benchd.traces import FloatArray
from benchd.units import show
from benchd.worksheet import LevelRow


def level_budget(
    bench: Bench,
    route: str,
    position: str | None,
    level_dbm: float,
    band_hz: tuple[float, float],
) -> list[LevelRow]:
    """The worst-case level at everything the signal passes, in order.

    Switch banks that the route sets but does not place in `out` or `back` could sit anywhere:
    they are held against the highest level on the route.
    """
    path = bench.routes[route]
    level = round(level_dbm + bench.source_of(path).level_accuracy_db, 6)
    rows: list[LevelRow] = []
    highest = level
    for element, label in _walk(bench, path):
        rows.append(LevelRow(element=label, level_dbm=level, limit_dbm=_limit_dbm(bench, element)))
        # Rounded so that a worksheet has the same digest on every machine.
        level = round(level + _most_gain_db(bench, element, band_hz), 6)
        highest = max(highest, level)
    analyzer = bench.analyzer_of(path)
    rows.append(
        LevelRow(
            element=path.analyzer, level_dbm=level, limit_dbm=_known(analyzer.largest_input_dbm)
        )
    )
    for switch, bank in _unplaced(path, position):
        limit = _known(bench.switch(switch).largest_power_dbm)
        rows.append(LevelRow(element=f"{switch}.{bank}", level_dbm=highest, limit_dbm=limit))
    return rows


def typical_level_dbm(
    bench: Bench, route: str, level_dbm: float, frequency_hz: FloatArray
) -> FloatArray:
    """What the analyzer reads if every loss and gain is as stated, dBm, shape (n,).

    With total reflection at the port of a reflection, and with nothing lost between the ends of
    a transmission. NaN where a table of the bench file does not reach.
    """
    level = np.full(frequency_hz.shape, level_dbm)
    for element, _ in _walk(bench, bench.routes[route]):
        table = _table(bench, element)
        gains = isinstance(bench.fixtures.get(element), AmplifierFixture)
        level = level + (1.0 if gains else -1.0) * table.over(frequency_hz)
        if table.frequency_hz:
            inside = (frequency_hz >= table.frequency_hz[0]) & (
                frequency_hz <= table.frequency_hz[-1]
            )
            level = np.where(inside, level, np.nan)
    return level


def port_level_dbm(
    bench: Bench, route: str, level_dbm: float, band_hz: tuple[float, float]
) -> float:
    """The worst-case level at the port of a route: what an antenna there may radiate, dBm."""
    path = bench.routes[route]
    gain = sum(_most_gain_db(bench, element, band_hz) for element in path.out)
    return round(level_dbm + bench.source_of(path).level_accuracy_db + gain, 6)


def excesses(rows: Sequence[LevelRow]) -> list[LevelRow]:
    """The rows whose limit is passed."""
    return [row for row in rows if row.limit_dbm is not None and row.level_dbm > row.limit_dbm]


def unstated_inputs(bench: Bench, route: str) -> list[tuple[str, str]]:
    """Inputs on a route of whose limit the bench file says nothing: each with the missing key.

    Inputs are those of the analyzer and of amplifiers, which a few dBm too much destroy. Passive
    parts and switches carry far more than the sources of a small bench give (common practice, no
    source); for them a caution is enough.
    """
    path = bench.routes[route]
    found = [
        (element, "largest_power")
        for element in (*path.out, *path.back)
        if isinstance(part := bench.fixtures.get(element), AmplifierFixture)
        and part.largest_power_dbm is None
    ]
    if bench.analyzer_of(path).largest_input_dbm is None:
        found.append((path.analyzer, "largest_input"))
    return found


def highest_safe_level_dbm(rows: Sequence[LevelRow], level_dbm: float) -> float:
    """The highest source level that passes no known limit, rounded down to 0.01 dB."""
    margins = [row.limit_dbm - row.level_dbm for row in rows if row.limit_dbm is not None]
    if not margins:
        return math.inf
    # The small number keeps 8.8 from turning into 8.79 by binary rounding.
    return math.floor((level_dbm + min(margins)) * 100 + 1e-6) / 100


def uncovered(bench: Bench, route: str, band_hz: tuple[float, float]) -> list[str]:
    """One sentence for each loss or gain table that does not reach over the whole band."""
    path = bench.routes[route]
    sentences = []
    for element in dict.fromkeys((*path.out, *path.back)):
        table = _table(bench, element)
        if not table.covers(*band_hz):
            ends = [show(table.frequency_hz[end], "Hz") for end in (0, -1)]
            sentences.append(
                f"The bench file describes {element} from {ends[0]} to {ends[1]} only; outside, "
                "the level budget takes the value at the end of the table."
            )
    return sentences


def _walk(bench: Bench, path: Route) -> Iterator[tuple[str, str]]:
    """Elements in the order of the signal, each with its label in the budget."""
    for element in path.out:
        yield element, element
    if path.kind == "reflection":
        turn = next(i for i, e in enumerate(path.out) if _is_coupler(bench, e))
        for element in reversed(path.out[turn + 1 :]):
            yield element, f"{element}, returning"
    for element in path.back:
        yield element, element


def _is_coupler(bench: Bench, element: str) -> bool:
    return isinstance(bench.fixtures.get(element.partition(".")[0]), CouplerFixture)


def _table(bench: Bench, element: str) -> Table:
    """Loss of an element over frequency (for an amplifier its gain)."""
    name, _, arm = element.partition(".")
    part = bench.fixtures.get(name)
    if part is None:
        return bench.switch(name).loss_db
    if isinstance(part, AmplifierFixture):
        return part.gain_db
    if isinstance(part, CouplerFixture) and arm == "coupled":
        return part.coupling_db
    return part.loss_db


def _most_gain_db(bench: Bench, element: str, band_hz: tuple[float, float]) -> float:
    table = _table(bench, element)
    if isinstance(bench.fixtures.get(element), AmplifierFixture):
        return table.most(*band_hz)
    return -table.least(*band_hz)


def _limit_dbm(bench: Bench, element: str) -> float | None:
    name = element.partition(".")[0]
    part = bench.fixtures.get(name) or bench.switch(name)
    return _known(part.largest_power_dbm)


def _known(limit: float | Literal["unknown"] | None) -> float | None:
    return None if limit == "unknown" else limit


def _unplaced(path: Route, position: str | None) -> list[tuple[str, str]]:
    placed = {*path.out, *path.back}
    chosen = [path.switch, path.positions.get(position, {}) if position else {}]
    return [
        (switch, bank)
        for choice in chosen
        for switch, banks in choice.items()
        for bank in banks
        if f"{switch}.{bank}" not in placed
    ]
