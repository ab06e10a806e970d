"""The source, the analyzer or the lid contact misbehave in a sweep."""

from __future__ import annotations

import contextlib
import time

from tests.faults.registry import kind
from tests.faults.scene import Scene
from tests.faults.stage import TIMEOUT_S


def _in_a_sweep(scene: Scene, step: int | None = None, points: int = 101) -> str:
    job = scene.queue(points=points)
    scene.until_sweeping(job, scene.random.randrange(3) if step is None else step)
    scene.moment(0.3)
    scene.note_committed()
    return job


def _replies_spoiled(scene: Scene, instrument: str, mode: str, **more: float) -> str:
    """Every reply from now on is spoiled, for longer than the instrument's time to answer. It is
    noticed when that time is over: from then on the clock runs."""
    job = _in_a_sweep(scene)
    scene.simulator.do("fault", instrument=instrument, mode=mode, count=1_000_000, **more)
    scene.rf_must_be_off(time.monotonic() + TIMEOUT_S)
    time.sleep(TIMEOUT_S + 1.5)
    scene.moment(1.0)
    scene.simulator.do("fault", instrument=instrument, mode="none")
    scene.until_ended(job)
    return job


@kind
def source_silent(scene: Scene) -> None:
    """The source hears and says nothing."""
    _replies_spoiled(scene, "generator", "silent")


@kind
def source_half_closed(scene: Scene) -> None:
    """The source ends its way of the connection and goes on hearing."""
    _replies_spoiled(scene, "generator", "half-close")


@kind
def source_dripping(scene: Scene) -> None:
    """The source's replies come byte by byte, with longer pauses than it has time to answer."""
    _replies_spoiled(scene, "generator", "slow", delay_s=4.0)


@kind
def source_hangs_up(scene: Scene) -> None:
    """The source hangs up instead of answering, again and again."""
    _replies_spoiled(scene, "generator", "close")


@kind
def source_refuses_and_comes_back(scene: Scene) -> None:
    """The source's connections are cut and new ones refused for a while."""
    job = _in_a_sweep(scene)
    scene.simulator.do("fault", instrument="generator", mode="stop-listening")
    scene.rf_must_be_off()
    scene.moment(3.0)
    scene.simulator.do("fault", instrument="generator", mode="none")
    scene.until_ended(job)


@kind
def source_takes_no_bytes(scene: Scene) -> None:
    """The source's connection stands, but nothing is taken from it for a while."""
    job = _in_a_sweep(scene)
    scene.simulator.do("fault", instrument="generator", mode="deaf")
    scene.rf_must_be_off(time.monotonic() + TIMEOUT_S)
    time.sleep(TIMEOUT_S + 1.0)
    scene.simulator.do("fault", instrument="generator", mode="none")
    scene.until_ended(job)


@kind
def source_garbles_a_reply(scene: Scene) -> None:
    """One to three of the source's replies are noise."""
    job = _in_a_sweep(scene)
    scene.simulator.do(
        "fault", instrument="generator", mode="garbage", count=scene.random.randint(1, 3)
    )
    scene.until_ended(job)


@kind
def source_loses_power(scene: Scene) -> None:
    """The source's mains switch, off and on: RF is off, settings are forgotten."""
    job = _in_a_sweep(scene)
    scene.simulator.do("power-cycle", instrument="generator")
    scene.until_ended(job)


def _off_disregarded(scene: Scene, pretend: bool) -> None:
    """The job has ended, one way or another, before the source obeys again."""
    job = _in_a_sweep(scene, points=41)
    scene.simulator.do("disregard", instrument="generator", setting="output", pretend=pretend)
    scene.rf_must_be_off()
    ended = False
    with contextlib.suppress(AssertionError):
        ended = bool(scene.until_ended(job, 15.0))
    scene.moment(1.5)
    scene.simulator.do("obey", instrument="generator")
    if not ended:
        scene.until_ended(job)


@kind
def source_lies_about_off(scene: Scene) -> None:
    """The source disregards OFF and says that it is off; when the job has ended it obeys again."""
    _off_disregarded(scene, pretend=True)


@kind
def source_disregards_off(scene: Scene) -> None:
    """The source disregards OFF and says so; when the job has ended it obeys again."""
    _off_disregarded(scene, pretend=False)


def _setting_disregarded(scene: Scene, setting: str, *, pretend: bool, level: str) -> None:
    """A job whose captures were taken otherwise than it says, and that says nothing of it, has
    passed wrongly."""
    scene.simulator.do("disregard", instrument="generator", setting=setting, pretend=pretend)
    job = scene.queue(level=level)
    row = scene.until_ended(job)
    captures = scene.daemon.http.get("/api/captures", params={"job": job}).json()
    if row["state"] == "done" and not any(one["flags"] for one in captures):
        scene.outcome.wrong_passes += 1
        scene.outcome.notes.append(f"ended done, with {len(captures)} captures and no flag")
    scene.simulator.do("obey", instrument="generator")


@kind
def source_disregards_its_level(scene: Scene) -> None:
    """The source takes orders about its level and stays at another one."""
    level = scene.random.choice(("-13 dBm", "-17 dBm", "-22 dBm"))
    _setting_disregarded(scene, "level", pretend=False, level=level)


@kind
def source_disregards_its_frequency(scene: Scene) -> None:
    """The source takes orders about its frequency and does nothing, in half of the runs lying."""
    pretend = scene.random.random() < 0.5
    _setting_disregarded(scene, "frequency", pretend=pretend, level="-10 dBm")


@kind
def analyzer_silent(scene: Scene) -> None:
    """The analyzer says nothing for a while."""
    _replies_spoiled(scene, "analyzer", "silent")


@kind
def analyzer_garbles_a_reply(scene: Scene) -> None:
    """One to three of the analyzer's replies are noise."""
    job = _in_a_sweep(scene)
    scene.simulator.do(
        "fault", instrument="analyzer", mode="garbage", count=scene.random.randint(1, 3)
    )
    scene.until_ended(job)


@kind
def lid_contact_silent(scene: Scene) -> None:
    """The lid contact says nothing for a while."""
    _replies_spoiled(scene, "lid", "silent")


@kind
def lid_opened_and_told_late(scene: Scene) -> None:
    """The lid is opened in a sweep, and its contact takes 0.2 s to 0.6 s for each answer."""
    delay_s = scene.random.uniform(0.2, 0.6)
    scene.simulator.do("fault", instrument="lid", mode="late", count=1_000_000, delay_s=delay_s)
    job = _in_a_sweep(scene)
    # A question that is on its way was asked before the lid was opened.
    scene.simulator.do("lid", open=True)
    scene.rf_must_be_off(time.monotonic() + 2.0 * delay_s)
    time.sleep(2.0)
    scene.simulator.do("lid", open=False)
    scene.simulator.do("fault", instrument="lid", mode="none")
    scene.until_ended(job)


@kind
def lid_opened(scene: Scene) -> None:
    """The lid is opened in a sweep."""
    job = _in_a_sweep(scene)
    _lid_open_for_a_while(scene)
    scene.until_ended(job)


@kind
def lid_opened_while_a_reply_is_waited_for(scene: Scene) -> None:
    """The lid is opened while source or analyzer is silent, or sends its reply byte by byte."""
    job = _in_a_sweep(scene)
    name = scene.random.choice(("generator", "analyzer"))
    mode = scene.random.choice(("silent", "slow"))
    scene.simulator.do("fault", instrument=name, mode=mode, count=1_000_000, delay_s=0.3)
    time.sleep(0.2)
    _lid_open_for_a_while(scene)
    scene.simulator.do("fault", instrument=name, mode="none")
    scene.until_ended(job)


def _lid_open_for_a_while(scene: Scene) -> None:
    scene.simulator.do("lid", open=True)
    scene.rf_must_be_off()
    time.sleep(2.0)
    scene.simulator.do("lid", open=False)
