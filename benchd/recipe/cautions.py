"""What a person must mind: said in the worksheet before anything is switched on.

benchd cannot know local rules; it states what will be sent where, and defers to them.
"""

from __future__ import annotations

from collections.abc import Iterator

from benchd.bench import Bench
from benchd.bench.instrument_checks import can, unasked_settings
from benchd.bench.instruments import PowerMeterInstrument
from benchd.bench.levels import uncovered
from benchd.units import show
from benchd.worksheet import CaptureStep, HandsStep, LevelRow, Step

OPEN_LID = (
    "RF absorber sheds conductive dust: do not brush or blow it, do not breathe it in, wash your "
    "hands, and follow the safety data sheet of its maker."
)
LID_OPEN = (
    "RF is on with the lid open: keep your distance, keep it short, and mind that what leaves "
    "the box may need a licence."
)
ELSEWHERE = (
    "Whether a program on another computer uses these instruments meanwhile cannot be known: "
    "benchd owns them on its own computer only."
)
HANDS_OFF_RF = (
    "RF is switched off before you are asked; touch nothing while the daemon says it is on."
)


def milliwatts(level_dbm: float) -> str:
    """A level as power, three digits."""
    return f"{10 ** (level_dbm / 10):.3g} mW"


def capture_cautions(
    bench: Bench, route: str, port_level_dbm: float, rows: list[LevelRow], band: tuple[float, float]
) -> tuple[str, ...]:
    """Cautions of one capture: what is radiated, and limits that the bench file does not state."""
    port = bench.routes[route].port
    found = [
        f"Up to {port_level_dbm:.1f} dBm ({milliwatts(port_level_dbm)}) reaches {port} from "
        f"{show(band[0], 'Hz')} to {show(band[1], 'Hz')}."
    ]
    unknown = list(dict.fromkeys(row.element for row in rows if row.limit_dbm is None))
    if unknown:
        found.append(
            f"No largest power is stated for {', '.join(unknown)}: benchd cannot protect it."
        )
    found.extend(uncovered(bench, route, band))
    return tuple(found)


def worksheet_cautions(bench: Bench, steps: list[Step], port_level_dbm: float) -> tuple[str, ...]:
    """Cautions of the whole job.

    port_level_dbm: the highest level that reaches a port in any capture.
    """
    found: list[str] = []
    captures = [step for step in steps if isinstance(step, CaptureStep)]
    if captures:
        found.append(_exposure(captures, port_level_dbm))
        found.append(_licence(bench))
        found.append(_input(captures))
        found.append(ELSEWHERE)
        found.extend(_unasked(bench, captures))
        found.extend(_unselective(bench, captures))
    if any(isinstance(step, HandsStep) for step in steps):
        found.append(HANDS_OFF_RF)
        if bench.box is not None:
            found.append(OPEN_LID)
    return tuple(found)


def _unasked(bench: Bench, captures: list[CaptureStep]) -> Iterator[str]:
    """What cannot be asked whether it did as it was told."""
    for name in dict.fromkeys(step.source for step in captures):
        question = "rf_query" if bench.instruments[name].kind == "source" else "tracking_query"
        if not can(bench, name, question):
            yield (
                f"{name} cannot be asked whether RF is off: benchd tells it, and holds the "
                "readings taken with RF off against those with RF on. Look at its lamp yourself."
            )
        unasked = unasked_settings(bench, name)
        if unasked:
            yield (
                f"{name} cannot be asked for its {' and '.join(unasked)}: whether it did as it was "
                "told shows only in the readings."
            )
    switches = (setting.instrument for step in captures for setting in step.switching)
    for name in dict.fromkeys(switches):
        if not can(bench, name, "closed_query"):
            yield (
                f"{name} cannot be asked where it stands: a channel that did not close shows only "
                "in the readings."
            )


def _unselective(bench: Bench, captures: list[CaptureStep]) -> Iterator[str]:
    """What a power meter cannot tell apart."""
    for name in dict.fromkeys(step.analyzer for step in captures):
        if isinstance(bench.instruments[name], PowerMeterInstrument):
            yield (
                f"{name} reads all power that arrives: the source's harmonics are in the budgets, "
                "transmitters nearby are not. It is zeroed with RF off ahead of each sweep."
            )


def _exposure(captures: list[CaptureStep], port_level_dbm: float) -> str:
    low = min(step.sweep.start_hz for step in captures)
    high = max(step.sweep.stop_hz for step in captures)
    return (
        f"RF exposure: an antenna may radiate up to {port_level_dbm:.1f} dBm "
        f"({milliwatts(port_level_dbm)}) between {show(low, 'Hz')} and {show(high, 'Hz')}. Keep "
        "the box closed and keep away from antennas while RF is on; the exposure limits of your "
        "country hold."
    )


def _licence(bench: Bench) -> str:
    where = (
        "the bench file says that the closed box is a shield; with its lid open, or with an "
        "antenna outside it,"
        if bench.box is not None and bench.box.shielded
        else "the bench file does not say that the box is a shield:"
    )
    return (
        f"Licence: {where} what is sent here may need a licence. Local rules decide; ask your "
        "radio authority."
    )


def _input(captures: list[CaptureStep]) -> str:
    worst = max(
        (row for step in captures for row in step.levels if row.element == step.analyzer),
        key=lambda row: row.level_dbm,
    )
    limit = (
        "of unknown limit" if worst.limit_dbm is None else f"of {worst.limit_dbm:.1f} dBm allowed"
    )
    return (
        f"Input damage: at most {worst.level_dbm:.1f} dBm {limit} reaches {worst.element}, as far "
        "as the bench file is true. Cables joined otherwise, static charge and transmitters "
        "nearby are not in this budget."
    )
