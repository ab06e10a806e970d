"""The virtual workshop: what a person and the instruments can do to it and learn from it."""

import threading
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulators.physics.curves import SlowCurve
from simulators.world.files import read_world
from simulators.world.model import CABLES, POSITIONS, STANDARDS, WorldModel

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


class World:
    """One virtual workshop; every method may be called from any thread."""

    def __init__(self, model: WorldModel, *, seed: int | None = None) -> None:
        self.model = model
        self.seed = model.seed if seed is None else seed
        self.lock = threading.RLock()
        self._rng = np.random.default_rng(self.seed)
        self._closed: dict[int, int] = {}
        self._placed = {position: "nothing" for position in POSITIONS} | dict(model.placed)
        self._pulled: set[str] = set()
        self._lid_open = False
        self._path = "middle"
        self._flatness = SlowCurve.drawn(self._rng, 0.0, 6.5e9, model.source.flatness_db, 9)

    @classmethod
    def load(cls, path: Path, *, seed: int | None = None) -> "World":
        """The world of a file. Raises WorldFileError for a file that is none."""
        return cls(read_world(path), seed=seed)

    def generator(self, purpose: int) -> np.random.Generator:
        """An independent seeded generator, the same for the same seed and purpose."""
        return np.random.default_rng([self.seed, purpose])

    def close_channel(self, channel: int) -> None:
        with self.lock:
            self._closed[channel // 100] = channel

    def open_channel(self, channel: int) -> None:
        with self.lock:
            if self._closed.get(channel // 100) == channel:
                del self._closed[channel // 100]

    def closed_channels(self) -> tuple[int, ...]:
        with self.lock:
            return tuple(sorted(self._closed.values()))

    def place(self, position: str, item: str) -> None:
        with self.lock:
            items = [a.name for a in self.model.antennas] + [*STANDARDS, "nothing"]
            if position not in POSITIONS:
                raise ValueError(f"no position {position!r}; there are {', '.join(POSITIONS)}")
            if item not in items:
                raise ValueError(f"no item {item!r}; there are {', '.join(items)}")
            self._placed[position] = item

    def set_lid(self, is_open: bool) -> None:
        with self.lock:
            self._lid_open = is_open

    def pull(self, cable: str) -> None:
        with self.lock:
            if cable not in CABLES:
                raise ValueError(f"no cable {cable!r}; there are {', '.join(CABLES)}")
            self._pulled.add(cable)

    def plug(self, cable: str) -> None:
        with self.lock:
            if cable not in CABLES:
                raise ValueError(f"no cable {cable!r}; there are {', '.join(CABLES)}")
            self._pulled.discard(cable)

    def connect(self, path: str) -> None:
        with self.lock:
            if path not in ("middle", "range"):
                raise ValueError(f"no path {path!r}; there are middle, range")
            self._path = path

    def state(self) -> dict[str, Any]:
        """What stands where, JSON-able."""
        with self.lock:
            return {
                "closed": list(self.closed_channels()),
                "placed": dict(self._placed),
                "pulled": sorted(self._pulled),
                "lid_open": self._lid_open,
                "path": self._path,
            }

    def source_level_dbm(
        self, frequency_hz: FloatArray, set_level_dbm: float, elapsed_s: float
    ) -> FloatArray:
        return set_level_dbm + self._flatness(np.asarray(frequency_hz, dtype=np.float64))

    def transfer(self, frequency_hz: FloatArray, elapsed_s: float) -> ComplexArray:
        with self.lock:
            f = np.asarray(frequency_hz, dtype=np.float64)
            feed, port, sense = (self._closed.get(bank, 0) for bank in (1, 2, 3))
            if (feed, sense) == (101, 301):
                item = {201: "open", 202: "short", 203: "load"}.get(port, self._placed["middle"])
                return 10 ** (-20 / 20) * self._reflection(item, f)
            if feed == 102 and sense in (302, 303):
                gain = 10 ** ((-22.0 + (7.0 if sense == 303 else 0.0)) / 20)
                return np.asarray(gain * (1 - np.abs(self._reflection("dipole", f)) ** 2) + 0j)
            return np.full(f.shape, 1e-5 + 0j)

    def _reflection(self, item: str, f: FloatArray) -> ComplexArray:
        fixed = {"open": 1.0, "short": -1.0, "load": 0.02, "nothing": 1.0}
        if item in fixed:
            return np.full(f.shape, fixed[item] + 0j)
        impedance = 70.0 + 1j * 70.0 * 8.0 * (f / 1.66e9 - 1.66e9 / f)
        return np.asarray((impedance - 50) / (impedance + 50))

    def ambient(self, centre_hz: float, span_hz: float) -> list[tuple[float, float]]:
        with self.lock:
            if self._closed.get(3) not in (302, 303):
                return []
            loss_db = 0.0 if self._lid_open else self.model.box.seam_shielding_db
            return [
                (one.frequency_hz, one.level_dbm - loss_db)
                for one in self.model.box.ambient
                if abs(one.frequency_hz - centre_hz) <= span_hz / 2
            ]

    def truth(self) -> dict[str, Any]:
        with self.lock:
            return {"world": self.model.name, "seed": self.seed, "antennas": {}}
