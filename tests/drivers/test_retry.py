"""Waits before another attempt, as the store, a sweep and a broker have them."""

from __future__ import annotations

import random

from drivers.retry import Retry


def waits(retry: Retry, count: int) -> list[float]:
    return [retry.next_s() for _ in range(count)]


def test_waits_grow_by_their_factor_up_to_the_most() -> None:
    assert waits(Retry(first_s=0.5, most_s=5.0, jitter=False), 6) == [0.5, 1, 2, 4, 5, 5]
    assert waits(Retry(first_s=0.5, most_s=2.0, factor=4.0, jitter=False), 3) == [0.5, 2, 2]
    assert waits(Retry(first_s=0.1, most_s=0.1, jitter=False), 3) == [0.1] * 3


def test_it_is_spent_after_its_tries_and_fresh_after_a_success() -> None:
    retry = Retry(tries=2, jitter=False)
    spent = []
    for _ in range(3):
        spent.append(retry.spent)
        retry.next_s()
    assert spent == [False, False, True]
    retry.succeeded()
    assert not retry.spent
    assert retry.next_s() == 0.5
    assert not Retry(tries=None, failures=10_000).spent
    assert Retry(tries=0).spent


def test_a_refusal_waits_its_own_time_and_counts_as_no_failure() -> None:
    retry = Retry(jitter=False)
    assert retry.next_s(refused=True) == 60.0
    assert retry.next_s() == 0.5


def test_jitter_spreads_each_wait_between_a_tenth_and_the_whole() -> None:
    retry = Retry(first_s=8.0, most_s=8.0, random=random.Random(1))
    found = waits(retry, 500)
    assert 0.8 <= min(found) < 1.0
    assert 7.8 < max(found) <= 8.0
