"""The RF path breaks where the antenna is measured: a reading that looks too good to be true."""

from __future__ import annotations

from tests.faults.registry import kind
from tests.faults.scene import Scene

ANTENNA = 2


def _before_or_in_the_antennas_sweep(scene: Scene) -> str:
    job = scene.queue(points=101)
    scene.until_sweeping(job, ANTENNA)
    scene.moment(0.3)
    return job


@kind
def switch_loses_power_in_a_sweep(scene: Scene) -> None:
    """The RF switch falls back to all contacts open in the antenna's sweep."""
    job = _before_or_in_the_antennas_sweep(scene)
    scene.simulator.do("power-cycle", instrument="switch")
    scene.until_ended(job)


@kind
def sense_cable_pulled_in_a_sweep(scene: Scene) -> None:
    """The cable from the coupler is pulled in the antenna's sweep."""
    job = _before_or_in_the_antennas_sweep(scene)
    scene.simulator.do("pull", cable="sense_cable")
    scene.until_ended(job)


@kind
def sense_cable_pulled_before_a_sweep(scene: Scene) -> None:
    """The cable from the coupler is pulled before the antenna's sweep begins."""
    job = scene.queue(points=101)
    scene.until_sweeping(job, ANTENNA - 1)
    scene.simulator.do("pull", cable="sense_cable")
    scene.until_ended(job)


@kind
def switch_garbles_replies(scene: Scene) -> None:
    """Two replies of the switch are noise."""
    job = _before_or_in_the_antennas_sweep(scene)
    scene.simulator.do("fault", instrument="switch", mode="garbage", count=2)
    scene.until_ended(job)


@kind
def analyzer_frozen(scene: Scene) -> None:
    """The analyzer shows the same reading at every point, from some sweep on."""
    job = scene.queue(points=101)
    scene.until_sweeping(job, scene.random.randrange(3))
    scene.simulator.do("freeze", instrument="analyzer", frozen=True)
    scene.until_ended(job)
