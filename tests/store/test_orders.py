import pytest

from benchd.store import Answered, Store, orders
from tests.store import examples


def answer(order_id: str, reply: str = "{}") -> Answered:
    return Answered(order_id, "d" * 64, reply)


def test_answers_are_kept_by_bench_and_id_and_the_later_one_counts(store: Store) -> None:
    store.keep_answers("workshop", [answer("a", "1"), answer("b", "2"), answer("b", "3")])
    store.keep_answers("roof", [answer("a", "4")])
    store.keep_answers("workshop", [answer("a", "5")])
    found = store.answered_orders("workshop", ["a", "b", "c"])
    assert sorted(found, key=lambda one: one.order_id) == [answer("a", "5"), answer("b", "3")]
    assert store.answered_orders("roof", ["a"]) == [answer("a", "4")]


def test_an_answer_is_kept_or_undone_with_what_its_order_did(store: Store) -> None:
    def carry_out_and_fail() -> None:
        with store.atomic():
            store.add_job(examples.worksheet())
            store.keep_answers("workshop", [answer("a")])
            raise RuntimeError

    with pytest.raises(RuntimeError):
        carry_out_and_fail()
    assert store.jobs() == []
    assert store.answered_orders("workshop", ["a"]) == []
    with store.atomic():
        store.add_job(examples.worksheet())
        store.keep_answers("workshop", [answer("a")])
    assert len(store.jobs()) == 1
    assert store.answered_orders("workshop", ["a"]) == [answer("a")]


def test_only_the_newest_answers_are_kept(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(orders, "KEPT_ORDERS", 5)
    ids = [str(number) for number in range(1200)]
    store.keep_answers("workshop", [answer(one) for one in ids])
    found = store.answered_orders("workshop", ids)
    assert [one.order_id for one in found] == ids[-5:]
