"""Levels between two antennas in a world's box at a few frequencies, for its owner's own trials.

The world itself solves its antennas at hundreds of frequencies. Whoever moves two antennas about
to see how their level strays reads it at a few, and gets the very numbers of the world there.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from simulators.world.antennas import Stand, box_of, echo_ohm, link, solved
from simulators.world.model import WorldModel
from simulators.world.outside_antenna import free_space, shifted
from simulators.world.wiring import Placing, position_of


@dataclass(frozen=True)
class Air:
    """The air of one box. frequencies_hz: where it is looked at."""

    model: WorldModel
    frequencies_hz: tuple[float, ...]
    _echoes: dict[tuple[Any, ...], Any] = field(default_factory=dict)

    def level_db(self, near: Placing, far: Placing, mount: str, *, walls: bool = True) -> Any:
        """20 lg of the transmission from connector to connector, shape (n,).

        walls: False for the same two antennas at the same places in free space.
        """
        here = position_of(self.model, "near_end", near.offset_m)
        there = position_of(self.model, mount, far.offset_m)
        ahead = np.array(there) - np.array(here)
        ahead[2] = 0.0
        ahead = ahead / np.linalg.norm(ahead)
        one, other = (
            Stand(solved(self.model.antenna(name), self.frequencies_hz), place, boom)
            for name, place, boom in ((near.item, here, ahead), (far.item, there, -ahead))
        )
        box = box_of(self.model.box, lid_open=False)
        if walls:
            found = link(box, one, other, self._echo(one), self._echo(other))
        else:
            none = np.zeros(len(self.frequencies_hz), dtype=np.complex128)
            moved = [
                Stand(stand.antenna, shifted(stand.position_m), stand.boom)
                for stand in (one, other)
            ]
            found = link(free_space(box), moved[0], moved[1], none, none)
        return 20.0 * np.log10(np.abs(found.two_port.s21))

    def _echo(self, stand: Stand) -> Any:
        key = (stand.antenna.model.name, stand.position_m, tuple(stand.boom.tolist()))
        if key not in self._echoes:
            self._echoes[key] = echo_ohm(box_of(self.model.box, lid_open=False), stand)
        return self._echoes[key]
