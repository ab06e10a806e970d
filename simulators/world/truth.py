"""What the world was built from, as numbers that a test may compare a measurement with.

Keys: ``antennas[name]`` (free space: ``resonance_hz``, ``return_loss_db``, ``gain_dbi``,
``realised_gain_dbi``, ``reflection``, band edges; ``in_box``: the same reflection with walls),
``range`` (connector-to-connector transmission of each mount as it stands), ``fixtures``
(losses, coupling, directivity), ``source``, ``analyzer``, ``box``.
Each ``frequency_hz`` list belongs to the lists beside it.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulators.physics.special import CubicSpline
from simulators.world.antennas import BACKWARD, FORWARD, Antenna
from simulators.world.model import AntennaModel
from simulators.world.wiring import State, Wiring, antenna_of, in_box_reflection, position_of

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

TABLE_HZ = np.linspace(1.5e9, 1.9e9, 81)
_WIDE_TABLE_HZ = np.linspace(0.4e9, 6.0e9, 113)
_SEARCH = 0.15  # resonance is looked for within 15 % of the design frequency


def truth_of(wiring: Wiring, state: State) -> dict[str, Any]:
    """The whole truth of a world in its present state, JSON-able."""
    model = wiring.model
    return {
        "world": model.name,
        "layout": model.layout,
        "antennas": {one.name: _antenna_truth(wiring, one, state) for one in model.antennas},
        "range": _range_truth(wiring, state),
        "fixtures": _fixture_truth(wiring),
        "source": model.source.model_dump() | {"match": _worst_db(wiring.parts.source_match)},
        "analyzer": model.analyzer.model_dump() | {"match": _worst_db(wiring.parts.analyzer_match)},
        "box": model.box.model_dump(),
        "placed": {position: placing.item for position, placing in state.placed},
    }


def _antenna_truth(wiring: Wiring, one: AntennaModel, state: State) -> dict[str, Any]:
    antenna = antenna_of(wiring.model, one.name)
    gain_db, realised_db = antenna.gains_db(FORWARD)
    _, behind_db = antenna.gains_db(BACKWARD)
    free = CubicSpline(antenna.frequency_hz, antenna.reflection())
    boxed = CubicSpline(
        antenna.frequency_hz, in_box_reflection(wiring.model, antenna, state.lid_open)
    )

    def table(values: FloatArray) -> list[float]:
        return _listed(CubicSpline(antenna.frequency_hz, values)(TABLE_HZ))

    return {
        "design_frequency_hz": one.design_frequency_hz,
        "elements": [element.model_dump() for element in one.elements],
        "clamp_x_m": one.clamp_x_m,
        "frequency_hz": _listed(TABLE_HZ),
        "gain_dbi": table(gain_db),
        "realised_gain_dbi": table(realised_db),
        "front_to_back_db": table(realised_db - behind_db),
        "reactance_zero_hz": _reactance_zero_hz(antenna),
        **_reflection_truth(free, one.design_frequency_hz),
        "in_box": _reflection_truth(boxed, one.design_frequency_hz),
    }


def _reflection_truth(curve: CubicSpline, design_hz: float) -> dict[str, Any]:
    fine = np.linspace(design_hz * (1 - _SEARCH), design_hz * (1 + _SEARCH), 20001)
    size = np.abs(curve(fine))
    best = int(np.argmin(size))
    low, high = _edges_hz(fine, size, best)
    at_table = curve(TABLE_HZ)
    return {
        "resonance_hz": float(fine[best]),
        "return_loss_db": _listed(-20 * np.log10(np.abs(at_table))),
        "return_loss_at_design_db": float(-20 * np.log10(abs(complex(curve(design_hz))))),
        "deepest_return_loss_db": float(-20 * np.log10(size[best])),
        "band_low_hz": low,
        "band_high_hz": high,
        "reflection_real": _listed(at_table.real),
        "reflection_imag": _listed(at_table.imag),
    }


def _edges_hz(fine: FloatArray, size: FloatArray, best: int) -> tuple[float | None, float | None]:
    """Where return loss leaves 10 dB around the best point; None if it does not."""
    limit = 10 ** (-10 / 20)
    if size[best] >= limit:
        return None, None
    above = np.flatnonzero(size >= limit)
    low, high = above[above < best], above[above > best]
    return (
        float(fine[low[-1]]) if low.size else None,
        float(fine[high[0]]) if high.size else None,
    )


def _reactance_zero_hz(antenna: Antenna) -> float | None:
    """Where the driven element's own reactance crosses zero upwards, nearest the design."""
    f, x = antenna.frequency_hz, antenna.currents.impedance_ohm.imag
    rising = np.flatnonzero((x[:-1] < 0) & (x[1:] >= 0))
    if not rising.size:
        return None
    nearest = rising[np.argmin(np.abs(f[rising] - antenna.model.design_frequency_hz))]
    share = -x[nearest] / (x[nearest + 1] - x[nearest])
    return float(f[nearest] + share * (f[nearest + 1] - f[nearest]))


def _range_truth(wiring: Wiring, state: State) -> dict[str, Any]:
    names = {one.name for one in wiring.model.antennas}
    near = state.placing("near_end")
    answer: dict[str, Any] = {"frequency_hz": _listed(TABLE_HZ)}
    mounts = ["mount_a"] + (["mount_b"] if wiring.model.box.mount_b_m else [])
    for mount in mounts:
        far = state.placing(mount)
        distance = np.subtract(
            position_of(wiring.model, mount), position_of(wiring.model, "near_end")
        )
        entry: dict[str, Any] = {"item": far.item, "distance_m": float(np.linalg.norm(distance))}
        if near.item in names and far.item in names:
            solved = wiring.link(near, far, mount, state.lid_open)
            grid = wiring.antenna(near.item).frequency_hz
            through = CubicSpline(grid, solved.two_port.s21)(TABLE_HZ)
            entry["transmission_db"] = _listed(20 * np.log10(np.abs(through)))
        answer[mount] = entry
    return answer


def _fixture_truth(wiring: Wiring) -> dict[str, Any]:
    parts = wiring.parts
    f = parts.frequency_hz

    def table(values: FloatArray) -> list[float]:
        return _listed(np.interp(_WIDE_TABLE_HZ, f, values))

    coupler = parts.coupler
    leak, tracking, match = wiring.error_terms()
    return {
        "frequency_hz": _listed(_WIDE_TABLE_HZ),
        "cables_loss_db": {name: table(_loss_db(two.s21)) for name, two in parts.cables.items()},
        "throws_loss_db": {
            str(channel): table(_loss_db(two.s21)) for channel, two in parts.throws.items()
        },
        "coupling_db": table(_loss_db(coupler.s32)),
        "directivity_db": table(_loss_db(coupler.s31 / coupler.s32)),
        "through_loss_db": table(_loss_db(coupler.s21)),
        "port_directivity_db": table(_loss_db(leak / tracking)),
        "port_source_match_db": table(_loss_db(match)),
        "load_match_db": table(_loss_db(parts.terminations["load"])),
        "source_match_db": table(_loss_db(parts.source_match)),
        "analyzer_match_db": table(_loss_db(parts.analyzer_match)),
    }


def _loss_db(ratio: ComplexArray) -> FloatArray:
    return np.asarray(-20 * np.log10(np.abs(ratio)))


def _worst_db(reflection: ComplexArray) -> float:
    return float(-20 * np.log10(np.abs(reflection).max()))


def _listed(values: FloatArray) -> list[float]:
    return [float(value) for value in values]
