"""Draws that are kept are numpy's own, bit for bit, in whatever order they are asked for."""

import threading

import numpy as np
import pytest

from benchd.reduce import shared_draws
from benchd.reduce.montecarlo import phasors, turns
from benchd.reduce.shared_draws import SharedDraws, go_back, place_of


def sequence(rng: np.random.Generator, *, twice: bool) -> list:
    """Draws of many kinds, one after the other, and a place gone back to."""
    found = [rng.standard_normal(5), rng.uniform(-np.pi, np.pi, (2, 3)), rng.standard_t(4.0, 6)]
    place = place_of(rng)
    found.append(rng.exponential(size=(2, 2)))
    if twice:
        go_back(rng, place)
        found.append(rng.integers(0, 9, 4))
    found += [rng.random(3), rng.normal(1.0, 2.0, 3), turns(rng, 4), rng.random()]
    found += [rng.choice([-1.0, 1.0], 5), rng.standard_normal(2), turns(rng, 2)]
    return found


@pytest.mark.parametrize("seed", [20_211, [20_211, 2]])
def test_each_draw_is_numpys_own_however_often_it_is_read(seed: int | list[int]) -> None:
    for twice in (True, False, True, True):
        ours, numpys = SharedDraws(seed), np.random.default_rng(seed)
        for one, other in zip(
            sequence(ours, twice=twice), sequence(numpys, twice=twice), strict=True
        ):
            np.testing.assert_array_equal(one, other)


def test_what_was_drawn_once_is_not_drawn_again() -> None:
    first, second = SharedDraws(77), SharedDraws(77)
    assert first.standard_normal(9) is second.standard_normal(9)
    assert turns(first, 5) is turns(second, 5)
    np.testing.assert_array_equal(
        turns(SharedDraws(78), 5), phasors(np.random.default_rng(78).uniform(-np.pi, np.pi, 5))
    )


def test_nobody_can_change_what_others_read() -> None:
    with pytest.raises(ValueError, match="read-only"):
        SharedDraws(79).standard_normal(3)[0] = 1.0


def test_too_much_is_forgotten_and_drawn_anew_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shared_draws, "MOST_BYTES", 10_000)
    for _ in range(5):
        rng, numpys = SharedDraws(80), np.random.default_rng(80)
        for _ in range(5):
            np.testing.assert_array_equal(rng.random(500), numpys.random(500))
    assert shared_draws._bytes <= 10_000


def test_threads_that_draw_together_get_the_same() -> None:
    wanted = [np.random.default_rng(81).standard_normal((20, 50)).ravel()]
    found: list[np.ndarray] = []

    def draw() -> None:
        rng = SharedDraws(81)
        found.append(np.concatenate([rng.standard_normal(50) for _ in range(20)]))

    threads = [threading.Thread(target=draw) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for one in found:
        np.testing.assert_array_equal(one, wanted[0])
