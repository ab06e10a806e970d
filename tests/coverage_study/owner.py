"""What a careful owner knows of their bench, written as its bench file.

Nothing here is the truth itself: each size is what the owner's own qualification would have
shown, with the error that such a qualification has, and rounded. Which kind of size is stated
where is told in docs/coverage.md; in short, an effective (root mean square) value wherever the
budget takes a phase or a sign as unknown, and never the data sheet's limit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from benchd.bench import Bench, parse_bench
from simulators.instruments.all_instruments import Workbench
from simulators.instruments.clock import SimulatedClock
from simulators.world.antennas import FORWARD
from simulators.world.wiring import Placing, State, Wiring
from tests.coverage_study.air import Air
from tests.coverage_study.draw import DESIGN_HZ, SWEEP_HZ, Drawn, generator
from tests.coverage_study.memory import db

POSITIONS = 8
GAIN_BAND_HZ = (1.6e9, 1.8e9)
SPREAD_HZ = tuple(np.arange(1.6e9, 1.81e9, 0.025e9).tolist())
SPAN_M = 0.12
"""The box is qualified over a cube of this edge, some 0.7 wavelengths at 1.7 GHz."""


def rms(values: Any) -> float:
    """Root mean square of magnitudes."""
    return float(np.sqrt(np.mean(np.abs(values) ** 2)))


@dataclass(frozen=True)
class Owner:
    """The owner of a drawn bench, who measures and rounds as people do."""

    drawn: Drawn

    @property
    def wiring(self) -> Wiring:
        """The workshop, for its own qualification only."""
        return self.drawn.world._wiring

    @property
    def in_band(self) -> Any:
        """Which points of the world's grid lie inside the sweep."""
        f = self.wiring.parts.frequency_hz
        return (f >= SWEEP_HZ[0]) & (f <= SWEEP_HZ[1])

    def guess(self, purpose: int) -> np.random.Generator:
        """The qualification's own errors."""
        return generator(self.drawn.seed, 100 + purpose)

    def near(self, size: float, purpose: int) -> float:
        """A size as a qualification of ten readings finds it: 10 % off now and then."""
        return size * (1.0 + 0.1 * float(self.guess(purpose).normal()))

    # --- the coupler ----------------------------------------------------------------------

    def coupler(self) -> dict[str, str]:
        """Effective directivity and source match at the port over frequency, as tables.

        By a sliding load and by open and short at nine frequencies: at each the root mean square
        over what lies nearest to it, off by half a decibel (one sigma) in all.
        """
        leak, tracking, match = self.wiring.error_terms()
        sizes = {"directivity": leak / tracking, "source_match": match}
        errors_db = self.guess(1).normal(0.0, 0.5, 2)
        f = self.wiring.parts.frequency_hz
        at_hz = np.linspace(*SWEEP_HZ, 9)
        tables = {}
        for (name, size), error_db in zip(sizes.items(), errors_db, strict=True):
            near = [np.abs(f - one) <= (at_hz[1] - at_hz[0]) / 2.0 for one in at_hz]
            values = [-db(rms(size[part])) + error_db for part in near]
            tables[name] = _table(at_hz, values, "dB")
        return tables

    def port_spread_db(self) -> float:
        """Spread between the baseline's joints and the antenna's, dB (sd).

        By hand ten reconnections show it; by switch the owner screws open and short on the
        antenna's own cable once and compares with those behind the switch.
        """
        # A connector's loss is passed twice; |N| of a standard normal N has sd 0.603, rms 1.
        loss_db = self.drawn.world.model.connector.loss_sd_db
        if not self.drawn.switched:
            return self.near(2.0 * 0.603 * loss_db * np.sqrt(1.5), 2)
        apart_db = self._baseline_db(201, 202) - self._baseline_db(204, 204)
        return self.near(float(np.hypot(rms(apart_db[self.in_band]), 2.0 * loss_db)), 2)

    def _baseline_db(self, open_at: int, short_at: int) -> Any:
        """Mean of open and short in dB on two throws of the port bank."""
        state = State(101, 204, 301, ())
        found = []
        for channel, sign in ((open_at, 1.0), (short_at, -1.0)):
            own = None if channel == 204 else f"port_cable {channel}"
            cable = self.wiring._cable(state, "port_cable", own)
            way = self.wiring._through(*self.wiring._throws(channel), cable)
            end = np.full(self.wiring.parts.frequency_hz.shape, sign + 0j)
            found.append(db(self.wiring._middle_on(state, way.reflection(end))))
        return (found[0] + found[1]) / 2.0

    def joint_reflection_db(self) -> dict[float, float]:
        """Frequency in Hz -> how far below a full reflection a joint made anew changes its own.

        By taking a load off and fitting it again, ten times, and looking at the reading's spread.
        """
        size = self.near(self.drawn.world.model.connector.reflection_sd * np.sqrt(2.0), 14)
        # The world states it at 6 GHz; a joint's reflection grows with frequency.
        return {at: -float(db(size * at / 6e9)) for at in (1.4e9, 1.7e9, 2.0e9)}

    # --- the analyzer and the range -------------------------------------------------------

    def linearity_db(self) -> float:
        """Half-width of a rectangle that has the spread found with a step attenuator."""
        bench = Workbench(self.drawn.world, SimulatedClock(0.0))
        scale = bench.instruments["analyzer"]._receiver._linearity
        top_dbm = self.drawn.level_dbm - self.drawn.world.model.coupler.coupling_db - 1.0
        errors_db = scale(np.linspace(top_dbm - 40.0, top_dbm, 41))
        apart_db = errors_db[:, None] - errors_db[None, :]
        return self.near(rms(apart_db) * np.sqrt(3.0), 3)

    def drift_db(self, per_kelvin_db: float) -> float:
        """Half-width of a rectangle with the spread of levels so long apart, by a night's log."""
        began_s = np.linspace(600.0, 8000.0, 200)
        before, after = (
            np.array([self.drawn.world.temperature_k(float(at_s)) for at_s in times])
            for times in (began_s, began_s + self.drawn.pause_s)
        )
        return self.near(rms(after - before) * abs(per_kelvin_db) * np.sqrt(3.0), 13)

    def _after(self, mount: int) -> Any:
        state = State(102, 204, mount, ())
        cable = self.wiring._cable(state, "far_cable")
        return self.wiring._through(cable, *self.wiring._throws(mount))

    def far_match_db(self) -> float:
        """Return loss that an antenna on the far mount sees, measured there."""
        looking_back = self._after(302).reflection(self.wiring.parts.analyzer_match)
        return -db(rms(looking_back[self.in_band])) + float(self.guess(4).normal(0.0, 0.5))

    def far_spread_db(self) -> float:
        """Spread of one joint at the far end, dB (sd), mount against mount where there are two."""
        loss_db = 0.603 * self.drawn.world.model.connector.loss_sd_db
        apart_db = 0.0
        if self.drawn.switched:
            apart_db = rms(db(self._after(302).s21 / self._after(303).s21)[self.in_band])
        return self.near(float(np.hypot(apart_db / np.sqrt(2.0), loss_db)), 5)

    def gain_spread_db(self) -> dict[float, float]:
        """Frequency in Hz -> standard deviation of a gain over positions in this box, dB.

        Reference and antenna are moved to eight places in a cube around their mounts, exchanged
        every other time where there are two mounts; the spread of the difference between the two
        is what one gain measured at one place is uncertain by.
        """
        offsets = self.guess(6).uniform(-SPAN_M / 2.0, SPAN_M / 2.0, (POSITIONS, 3))
        air = Air(self.drawn.world.model, SPREAD_HZ)
        gains_db = []
        for number, offset in enumerate(offsets):
            reference_at = test_at = "mount_a"
            if self.drawn.switched:
                reference_at, test_at = ("mount_a", "mount_b")[:: 1 if number % 2 else -1]
            reference_db = _received_db(air, "reference dipole", reference_at, offset)
            gains_db.append(_received_db(air, "antenna", test_at, offset) - reference_db)
        return dict(zip(SPREAD_HZ, np.std(gains_db, axis=0, ddof=1).tolist(), strict=True))

    # --- antennas -------------------------------------------------------------------------

    def reference(self, name: str, purpose: int) -> dict[str, Any]:
        """Gain as a certificate states it, off by a normal error of its own uncertainty."""
        rng = self.guess(purpose)
        antenna = self.wiring.antenna(name)
        uncertainty_db = round(float(rng.uniform(0.15, 0.5)), 2)
        error_db = rng.normal(0.0, uncertainty_db / 2.0)
        table_hz = np.arange(1.40e9, 2.01e9, 50e6)
        gain_dbi = np.interp(table_hz, antenna.frequency_hz, antenna.gains_db(FORWARD)[0])
        return_loss_db = np.interp(table_hz, antenna.frequency_hz, -db(antenna.reflection()))
        return_loss_db = return_loss_db * (1.0 + 0.03 * rng.normal(size=table_hz.size))
        return {
            "gain": _table(table_hz, gain_dbi + error_db, "dBi"),
            "gain_is": "gain",
            "uncertainty": f"{uncertainty_db} dB",
            "return_loss": _table(table_hz, np.maximum(return_loss_db, 0.1), "dB"),
            "return_loss_uncertainty": "0.8 dB",
        }

    def arm_mm(self) -> float:
        """Length of one arm of the antenna under test by a ruler, mm."""
        driven = self.drawn.world.model.antenna("antenna").elements[0]
        return round(driven.length_m * 500.0 + float(self.guess(9).normal(0.0, 0.3)), 1)


def _received_db(air: Air, item: str, mount: str, offset: Any) -> Any:
    # The jig of mount B is the mirror image of that of mount A.
    turned = offset * ((1, -1, 1) if mount == "mount_b" else (1, 1, 1))
    far = Placing(item, offset_m=tuple(turned.tolist()))
    return air.level_db(Placing("range dipole"), far, mount)


def _table(frequency_hz: Any, values: Any, unit: str) -> str:
    pairs = zip(frequency_hz, values, strict=True)
    return "{" + ", ".join(f"{f / 1e9:.4f} GHz: {v:.2f} {unit}" for f, v in pairs) + "}"


def bench_file(drawn: Drawn) -> str:
    """The owner's bench file, YAML."""
    owner = Owner(drawn)
    model = drawn.world.model
    coupler = owner.coupler()
    yagi = len(model.antenna("antenna").elements) > 1
    delay_ns = model.cables["port_cable"].length_m / (0.7 * 0.2998)
    delay_ns = owner.near(delay_ns + (0.17 if drawn.switched else 0.0), 7)
    distance_mm = 1e3 * float(
        np.linalg.norm(np.subtract(model.box.mount_a_m, model.box.near_end_m))
    )
    distance_mm += float(owner.guess(8).uniform(-3.0, 3.0))
    inside = ", ".join(f"{1e3 * edge:.0f} mm" for edge in model.box.size_m)
    references = {
        name: "{"
        + ", ".join(f"{key}: {value}" for key, value in owner.reference(name, number).items())
        + "}"
        for number, name in ((10, "reference dipole"), (11, "range dipole"))
    }
    thick_mm = 1e3 * model.antenna("antenna").elements[0].diameter_m
    trim = (
        ""
        if yagi
        else f", trim: {{arm: {owner.arm_mm()} mm, arms: 2, diameter: {thick_mm:.1f} mm}}"
    )
    lines = [
        f"bench: drawn-{drawn.seed}",
        "title: A bench drawn for the coverage study",
        "instruments:",
        *_instruments(drawn, owner),
        "fixtures:",
        "  source_cable: {kind: cable, loss: 0.2 dB}",
        "  range_cable: {kind: cable, loss: 0.3 dB}",
        f"  port_cable: {{kind: cable, loss: 0.1 dB, delay: {delay_ns:.2f} ns, "
        f"repeatability: {owner.port_spread_db():.4f} dB, reflection_repeatability: "
        f"{_table(*zip(*owner.joint_reflection_db().items(), strict=True), 'dB')}}}",
        "  sense_cable: {kind: cable, loss: 0.2 dB}",
        "  far_cable: {kind: cable, loss: 0.2 dB, "
        f"repeatability: {owner.far_spread_db():.4f} dB}}",
        "  coupler: {kind: coupler, loss: 0.3 dB, "
        f"coupling: {model.coupler.coupling_db:.1f} dB, "
        f"directivity: {coupler['directivity']}, source_match: {coupler['source_match']}}}",
        "box:",
        f"  inside: [{inside}]",
        f"  range_length: {distance_mm:.0f} mm",
        # One mark for both antennas: what is left is where a dipole is bent, a Yagi radiates.
        f"  range_tolerance: {10 if yagi else 3} mm",
        "  finite_range: 0.1 dB",
        "  polarisation_tolerance: 3 deg",
        f"  gain_spread: {_table(*zip(*owner.gain_spread_db().items(), strict=True), 'dB')}",
        f"  gain_spread_positions: {POSITIONS}",
        "antennas:",
        *(
            f"  {name}: {{design_frequency: 1.7 GHz, largest_dimension: 82 mm, reference: {data}}}"
            for name, data in references.items()
        ),
        f"  antenna: {{design_frequency: {DESIGN_HZ / 1e9:.1f} GHz, "
        f"largest_dimension: {141 if yagi else 84} mm{trim}}}",
        "routes:",
        *_routes(drawn.switched),
    ]
    return "\n".join(lines) + "\n"


def _instruments(drawn: Drawn, owner: Owner) -> list[str]:
    model = drawn.world.model
    drifts = [
        f"frequency_accuracy: 1 ppm, drift: {{change: {owner.drift_db(per_kelvin_db):.4f} dB, "
        f"within: {drawn.pause_s:.0f} s}}"
        for per_kelvin_db in (model.source.drift_db_per_k, model.analyzer.drift_db_per_k)
    ]
    lines = [
        "  generator: {kind: source, driver: scpi-source, address: 'TCPIP::127.0.0.1::1::SOCKET', "
        "identity: 'Workshop,Source-6G', frequency: [400 MHz, 6 GHz], "
        f"level: [-120 dBm, 15 dBm], {drifts[0]}}}",
        "  analyzer: {kind: analyzer, driver: scpi-analyzer, "
        "address: 'TCPIP::127.0.0.1::2::SOCKET', identity: 'Workshop,Analyzer-6G', "
        "frequency: [9 kHz, 6.5 GHz], largest_input: 20 dBm, "
        f"linearity: {owner.linearity_db():.3f} dB, "
        f"match: {owner.far_match_db():.1f} dB, {drifts[1]}}}",
    ]
    if drawn.switched:
        spread_db = owner.near(drawn.world.model.switch.repeatability_db, 12)
        lines.append(
            "  switch: {kind: switch, driver: scpi-switch, address: 'TCPIP::127.0.0.1::3::SOCKET', "
            f"identity: 'Workshop,Switch-3x4', loss: 0.2 dB, repeatability: {spread_db:.4f} dB, "
            "banks: {feed: {coupler: 101, range: 102}, port: {open: 201, short: 202, load: 203, "
            "antenna: 204}, sense: {coupled: 301, mount_a: 302, mount_b: 303}}}"
        )
    return lines


def _routes(switched: bool) -> list[str]:
    if not switched:
        return [
            "  middle: {kind: reflection, source: generator, analyzer: analyzer, port: middle, "
            "out: [source_cable, coupler.through, port_cable], "
            "back: [coupler.coupled, sense_cable]}",
            "  range: {kind: transmission, source: generator, analyzer: analyzer, port: near_end, "
            "far_port: far_end, range_antenna: range dipole, out: [source_cable, range_cable], "
            "back: [far_cable]}",
        ]
    return [
        "  middle: {kind: reflection, source: generator, analyzer: analyzer, port: middle, "
        "out: [source_cable, switch.feed, coupler.through, switch.port, port_cable], "
        "back: [coupler.coupled, sense_cable, switch.sense], "
        "switch: {switch: {feed: coupler, sense: coupled}}, "
        "positions: {open: {switch: {port: open}}, short: {switch: {port: short}}, "
        "antenna: {switch: {port: antenna}}}}",
        "  range: {kind: transmission, source: generator, analyzer: analyzer, port: near_end, "
        "far_port: far_end, range_antenna: range dipole, "
        "out: [source_cable, switch.feed, range_cable], back: [far_cable, switch.sense], "
        "switch: {switch: {feed: range}}, positions: {mount_a: {switch: {sense: mount_a}}, "
        "mount_b: {switch: {sense: mount_b}}}}",
    ]


def bench_of(drawn: Drawn) -> Bench:
    """The owner's bench, read by benchd."""
    return parse_bench(bench_file(drawn), file=f"drawn-{drawn.seed}.yaml")
