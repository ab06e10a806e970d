"""The bench's passive parts on the world's fine grid, each with errors drawn from its own seed."""

from dataclasses import dataclass
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from simulators.physics.curves import SlowCurve
from simulators.physics.lines import (
    ThreePort,
    TwoPort,
    cable_loss_db,
    lossless_step,
    matched_line,
    open_reflection,
    short_reflection,
)
from simulators.physics.wires import SPEED_OF_LIGHT_M_PER_S
from simulators.world.model import CableModel, SwitchModel, WorldModel

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

CHANNELS = (101, 102, 201, 202, 203, 204, 301, 302, 303)
PULLED_LEAK = 10 ** (-90 / 20)
_COUPLER_LENGTH_M = 0.06
_CURVE_STOP_HZ = 6.5e9


def named_generator(seed: int, name: str) -> np.random.Generator:
    """A generator of its own for each part, so that a new part changes no other."""
    return np.random.default_rng([seed, crc32(name.encode())])


@dataclass(frozen=True)
class Parts:
    """Everything between the source and the analyzer that does not change."""

    frequency_hz: FloatArray
    source_match: ComplexArray
    analyzer_match: ComplexArray
    coupler: ThreePort
    cables: dict[str, TwoPort]
    throws: dict[int, TwoPort]
    terminations: dict[str, ComplexArray]
    isolation: float
    sheath: ComplexArray  # what runs outside unbonded cables, against the direct ray

    @classmethod
    def built(cls, model: WorldModel, frequency_hz: FloatArray, seed: int) -> "Parts":
        """Draw every part of a world file on the given grid."""
        f = frequency_hz

        def generator(name: str) -> np.random.Generator:
            return named_generator(seed, name)

        cables = {name: _cable(f, one, generator(name)) for name, one in model.cables.items()}
        for channel in (201, 202, 203):
            name = f"port_cable {channel}"
            cables[name] = _cable(f, model.cables["port_cable"], generator(name))
        standards = model.standards
        load = mismatch(f, generator("load"), standards.load_match_db, 0.02)
        return cls(
            frequency_hz=f,
            source_match=mismatch(f, generator("source match"), model.source.match_db, 0.08),
            analyzer_match=mismatch(f, generator("analyzer match"), model.analyzer.match_db, 0.08),
            coupler=_coupler(model, f, generator("coupler")),
            cables=cables,
            throws={one: _throw(f, model.switch, generator(f"throw {one}")) for one in CHANNELS},
            terminations={
                "open": open_reflection(f, standards.open_capacitance_f),
                "short": short_reflection(f, standards.short_inductance_h),
                "offset short": matched_line(f, standards.offset_m, 1.0, 0.0).reflection(
                    short_reflection(f, standards.short_inductance_h)
                ),
                "load": load,
                "nothing": open_reflection(f, standards.open_capacitance_f / 2),
            },
            isolation=float(10 ** (-model.switch.isolation_db / 20)),
            sheath=_sheath(f, generator("sheath"), model.box.sheath_current_db),
        )


def mismatch(
    f: FloatArray, rng: np.random.Generator, match_db: float, length_m: float
) -> ComplexArray:
    """A port's reflection: never worse than ``match_db``, its phase turning with frequency."""
    wander = SlowCurve.drawn(rng, 0.0, _CURVE_STOP_HZ, 0.3, 6)
    size = 10 ** (-match_db / 20) * (0.7 + wander(f))
    turn = rng.uniform(0, 2 * np.pi) - 4 * np.pi * f * length_m / SPEED_OF_LIGHT_M_PER_S
    return np.asarray(size * np.exp(1j * turn))


def _sheath(f: FloatArray, rng: np.random.Generator, level_db: float) -> ComplexArray:
    """A detour of about a metre along the outside of the cables."""
    wander = SlowCurve.drawn(rng, 0.0, _CURVE_STOP_HZ, 0.3, 6)
    turn = rng.uniform(0, 2 * np.pi) - 2 * np.pi * f * 1.0 / SPEED_OF_LIGHT_M_PER_S
    return np.asarray(10 ** (level_db / 20) * (0.7 + wander(f)) * np.exp(1j * turn))


def connector(f: FloatArray, loss_db: float, reflection: complex) -> TwoPort:
    """A mated pair: a reflection growing with frequency (stated at 6 GHz) and a loss."""
    step = lossless_step(np.asarray(reflection * f / 6e9, dtype=np.complex128))
    return step.then(matched_line(f, 0.0, 1.0, loss_db))


def pulled(f: FloatArray) -> TwoPort:
    """A cable that hangs loose: two open ends and a little leak."""
    ends = np.ones(f.shape, dtype=np.complex128)
    leak = np.full(f.shape, PULLED_LEAK + 0j)
    return TwoPort(ends, leak, leak, ends)


def _cable(f: FloatArray, model: CableModel, rng: np.random.Generator) -> TwoPort:
    worst = 10 ** (-model.match_db / 20)
    near, far = (
        connector(f, 0.0, worst * rng.uniform(0.4, 1.0) * np.exp(2j * np.pi * rng.uniform()))
        for _ in range(2)
    )
    spread = 1 + rng.normal(0.0, 0.01)
    loss_db = cable_loss_db(
        f, model.length_m * spread, model.loss_db_per_m_at_1ghz, model.dielectric_share
    )
    # Cables of one length agree to about a millimetre.
    length_m = model.length_m + rng.normal(0.0, 0.0005)
    return near.then(matched_line(f, length_m, model.velocity_factor, loss_db)).then(far)


def _throw(f: FloatArray, model: SwitchModel, rng: np.random.Generator) -> TwoPort:
    worst = 10 ** (-model.match_db / 20)
    near, far = (
        connector(f, 0.0, worst * rng.uniform(0.4, 1.0) * np.exp(2j * np.pi * rng.uniform()))
        for _ in range(2)
    )
    loss_db = model.loss_db_at_1ghz * (1 + rng.normal(0.0, 0.03)) * np.sqrt(f / 1e9)
    length_m = model.length_m + rng.normal(0.0, 0.0003)
    return near.then(matched_line(f, length_m, 1.0, loss_db)).then(far)


def _coupler(model: WorldModel, f: FloatArray, rng: np.random.Generator) -> ThreePort:
    one = model.coupler
    ripple = SlowCurve.drawn(rng, 0.0, _CURVE_STOP_HZ, 0.15, 6)
    wander = SlowCurve.drawn(rng, 0.0, _CURVE_STOP_HZ, 0.3, 8)
    coupling_db = one.coupling_db + one.coupling_slope_db_per_ghz * (f / 1e9 - 1) + ripple(f)
    delay = np.exp(-2j * np.pi * f * _COUPLER_LENGTH_M / SPEED_OF_LIGHT_M_PER_S)
    s32 = 10 ** (-coupling_db / 20) * delay
    start_rad = rng.uniform(0, 2 * np.pi)
    turn = start_rad - 2 * np.pi * f * one.directivity_length_m / SPEED_OF_LIGHT_M_PER_S
    leak = 10 ** (-one.directivity_db / 20) * (0.7 + wander(f)) * np.exp(1j * turn)
    through_db = one.through_loss_db * np.sqrt(f / 1e9)
    ports = [mismatch(f, rng, one.match_db, 0.03) for _ in range(3)]
    return ThreePort(
        s11=ports[0],
        s22=ports[1],
        s33=ports[2],
        s21=10 ** (-through_db / 20) * delay,
        s31=s32 * leak,
        s32=s32,
    )
