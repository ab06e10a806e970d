"""A bench thread that stands still is told from one that waits."""

from __future__ import annotations

import threading

import pytest

from benchd.engine.hang_detector import HANGS_AFTER_TICKS, HangDetector, Pulse


def looks(monitor: HangDetector, count: int) -> None:
    for _ in range(count):
        monitor.look()


def test_a_thread_without_work_is_well_for_ever() -> None:
    monitor = HangDetector(Pulse())
    looks(monitor, 10 * HANGS_AFTER_TICKS)
    assert not monitor.hangs


def test_work_that_waits_beats_and_is_well_for_ever() -> None:
    pulse = Pulse()
    monitor = HangDetector(pulse)

    def settling() -> None:
        for _ in range(10 * HANGS_AFTER_TICKS):
            pulse.beat()
            monitor.look()

    pulse.watched(settling)()
    assert (monitor.hangs, monitor.silent_ticks) == (False, 0)


def test_work_that_never_comes_back_is_noticed() -> None:
    pulse = Pulse()
    monitor, begun, end = HangDetector(pulse), threading.Event(), threading.Event()

    def stuck() -> None:
        begun.set()
        end.wait()

    thread = threading.Thread(target=pulse.watched(stuck))
    thread.start()
    begun.wait()
    looks(monitor, HANGS_AFTER_TICKS)
    assert not monitor.hangs, "the first look only learns the pulse"
    monitor.look()
    assert monitor.hangs
    end.set()
    thread.join()
    monitor.look()
    assert not monitor.hangs


def test_work_that_fails_leaves_the_thread_without_work() -> None:
    pulse = Pulse()

    def fails() -> None:
        raise ValueError("a driver met something it did not expect")

    with pytest.raises(ValueError, match="a driver met"):
        pulse.watched(fails)()
    assert pulse.working is False


def test_the_waits_of_another_thread_are_no_sign_of_the_bench_threads_life() -> None:
    """The watch on the lid waits for its contact all the while that a sweep is under way."""
    pulse = Pulse()
    monitor, begun, end = HangDetector(pulse), threading.Event(), threading.Event()

    def stuck() -> None:
        begun.set()
        end.wait()

    thread = threading.Thread(target=pulse.watched(stuck))
    thread.start()
    begun.wait()
    for _ in range(HANGS_AFTER_TICKS + 1):
        pulse.beat()
        monitor.look()
    assert monitor.hangs
    end.set()
    thread.join()
