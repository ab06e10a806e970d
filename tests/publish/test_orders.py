"""Orders without a broker: strangers' bytes in, replies out."""

import asyncio
import json
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from structlog.testing import capture_logs

from benchd.errors import UnsafeError
from benchd.job_request import JobRequest, RecipeSource
from benchd.publish import order_memory, orders
from benchd.publish.order_memory import ShortMemory
from benchd.publish.orders import Noted, OrderBook
from benchd.store import Answered, JobRow, JobState, StoreError
from tests.store.examples import TAKEN_AT


def job_row(job_id: str = "job-1", state: JobState = JobState.WAITING) -> JobRow:
    return JobRow(
        id=job_id,
        bench="workshop",
        recipe="return-loss",
        title="Return loss of one antenna",
        worksheet_hash="c" * 64,
        state=state,
        priority=2,
        created_at=TAKEN_AT,
        not_before=None,
        finish_by=TAKEN_AT,
        started_at=None,
        ended_at=None,
        step_index=0,
        steps_total=3,
        expected_s=12.5,
        interruptions=0,
        message="",
        error=None,
        hands=None,
    )


class Recording:
    """Notes what it is asked to do; raises what it is told to."""

    def __init__(self) -> None:
        self.asked: list[tuple[Any, ...]] = []
        self.trouble: BaseException | None = None

    async def _note(self, noted: Noted | None, *asked: Any) -> JobRow:
        self.asked.append(asked)
        if self.trouble is not None:
            raise self.trouble
        job = job_row()
        if noted is not None:
            await asyncio.to_thread(noted, job)
        return job

    async def queue(
        self,
        source: RecipeSource,
        arguments: dict[str, str],
        request: JobRequest,
        /,
        *,
        noted: Noted | None = None,
    ) -> JobRow:
        return await self._note(noted, "queue", source, arguments, request)

    async def withdraw(self, job_id: str, /, *, noted: Noted | None = None) -> JobRow:
        return await self._note(noted, "withdraw", job_id)

    async def ready(
        self,
        job_id: str,
        step: int | None = None,
        /,
        *,
        removed_m: float | None = None,
        noted: Noted | None = None,
    ) -> JobRow:
        said = [one for one in (step, removed_m) if one is not None]
        return await self._note(noted, "ready", job_id, *said)

    async def stop(self, job_id: str, /, *, noted: Noted | None = None) -> JobRow:
        return await self._note(noted, "stop", job_id)

    async def replay(self, first: int, last: int | None) -> int:
        await self._note(None, "replay", first, last)
        return 7


@pytest.fixture
def handler() -> Recording:
    return Recording()


@pytest.fixture
def book(handler: Recording) -> OrderBook:
    return OrderBook("workshop", handler, handler.replay, clock=lambda: TAKEN_AT)


async def answered(book: OrderBook, order: Any) -> dict[str, Any]:
    payload = order if isinstance(order, bytes) else json.dumps(order).encode()
    reply = await book.answer(payload)
    assert reply is not None
    value: dict[str, Any] = json.loads(reply.to_json())
    return value


async def test_a_queue_order_is_carried_out_and_answered_whole(
    book: OrderBook, handler: Recording
) -> None:
    reply = await answered(
        book,
        {
            "verb": "queue",
            "order": "a1",
            "recipe": "return-loss",
            "arguments": {"antenna": "dipole r3"},
            "priority": 2,
            "not_before": "2026-03-01T22:00:00Z",
            "finish_by": "2026-03-02T06:00:00+01:00",
        },
    )
    request = JobRequest(
        2, datetime(2026, 3, 1, 22, tzinfo=UTC), datetime(2026, 3, 2, 5, tzinfo=UTC)
    )
    source = RecipeSource("return-loss")
    assert handler.asked == [("queue", source, {"antenna": "dipole r3"}, request)]
    assert reply == {
        "schema": "benchd.reply/1",
        "bench": "workshop",
        "at": "2026-03-01T21:30:15.123456Z",
        "order": "a1",
        "verb": "queue",
        "ok": True,
        "job": {
            "job": "job-1",
            "recipe": "return-loss",
            "title": "Return loss of one antenna",
            "state": "waiting",
            "step_index": 0,
            "steps_total": 3,
            "message": "",
            "error": None,
            "hands": None,
            "priority": 2,
            "expected_s": 12.5,
            "not_before": None,
            "finish_by": "2026-03-01T21:30:15.123456Z",
        },
        "replayed": None,
        "error": None,
    }


@pytest.mark.parametrize(
    ("order", "asked"),
    [
        ({"verb": "withdraw", "job": "job-1"}, ("withdraw", "job-1")),
        ({"verb": "ready", "job": "job-1"}, ("ready", "job-1")),
        ({"verb": "ready", "job": "job-1", "step": 4}, ("ready", "job-1", 4)),
        ({"verb": "replay", "from_sequence": 3}, ("replay", 3, None)),
        ({"verb": "replay", "from_sequence": 3, "to_sequence": 3}, ("replay", 3, 3)),
    ],
    ids=["withdraw", "ready", "ready with its step", "replay to the newest", "replay of one"],
)
async def test_every_verb_reaches_its_handler(
    book: OrderBook, handler: Recording, order: dict[str, Any], asked: tuple[Any, ...]
) -> None:
    reply = await answered(book, {**order, "order": "a1"})
    assert reply["ok"]
    assert reply["replayed"] == (7 if order["verb"] == "replay" else None)
    assert handler.asked == [asked]


GOOD = {"verb": "queue", "order": "a1", "recipe": "return-loss"}
BAD = {
    "not JSON": (b"queue return-loss", "the order is not JSON: expected value at line 1 column 1."),
    "not UTF-8": (b'{"verb": "\xff"}', "the order is not JSON: invalid unicode code point"),
    "empty": (b"", "the order is not JSON: EOF while parsing a value"),
    "a list": ([1], "the order must be one JSON object."),
    "no verb": ({"order": "a1"}, "no `verb`; known verbs: queue, ready, replay, stop, withdraw."),
    "verb misspelt": (
        {**GOOD, "verb": "que"},
        "unknown verb `que`; did you mean `queue`? "
        "(known verbs: queue, ready, replay, stop, withdraw).",
    ),
    "verb unknown": (
        {**GOOD, "verb": "explode"},
        "unknown verb `explode` (known verbs: queue, ready, replay, stop, withdraw).",
    ),
    "verb no text": ({**GOOD, "verb": 5}, "unknown verb `5` (known verbs"),
    "no order id": ({"verb": "ready", "job": "job-1"}, "`order` is missing."),
    "empty order id": ({**GOOD, "order": ""}, "`order`: string should have at least 1 character"),
    "long order id": ({**GOOD, "order": "x" * 65}, "`order`: string should have at most 64"),
    "no recipe": ({"verb": "queue", "order": "a1"}, "`recipe` is missing."),
    "a path": ({**GOOD, "recipe": "../../etc/passwd"}, "`recipe`: string should match pattern"),
    "a line feed": ({**GOOD, "recipe": "return-loss\n"}, "`recipe`: string should match pattern"),
    "a number for a text": (
        {**GOOD, "arguments": {"points": 201}},
        "`arguments.points`: input should be a valid string, found 201.",
    ),
    "a long argument": (
        {**GOOD, "arguments": {"points": "9" * 1001}},
        "`arguments.points`: string should have at most 1000 characters",
    ),
    "too many arguments": (
        {**GOOD, "arguments": {str(n): "" for n in range(101)}},
        "`arguments`: dictionary should have at most 100 items",
    ),
    "unknown field": ({**GOOD, "speed": 3}, "`speed` is not a field of this order."),
    "time without zone": (
        {**GOOD, "not_before": "2026-03-01T22:00:00"},
        "`not_before`: input should have timezone info",
    ),
    "priority too high": ({**GOOD, "priority": 101}, "less than or equal to 100, found 101."),
    "no job": ({"verb": "ready", "order": "a1"}, "`job` is missing."),
    "sequence zero": (
        {"verb": "replay", "order": "a1", "from_sequence": 0},
        "`from_sequence`: input should be greater than or equal to 1, found 0.",
    ),
    "sequence falls": (
        {"verb": "replay", "order": "a1", "from_sequence": 5, "to_sequence": 4},
        "to_sequence lies before from_sequence.",
    ),
    "two faults": (
        {**GOOD, "priority": "high", "speed": 3},
        'unable to parse string as an integer, found "high"; `speed` is not a field',
    ),
    "nested without end": (b"[" * 30_000, "the order is not JSON: recursion limit exceeded"),
    "too big": (b" " * 65_537, "the order has 65537 bytes; at most 65536 are read."),
}


@pytest.mark.parametrize("case", BAD)
async def test_a_bad_order_is_answered_with_what_is_wrong_and_not_carried_out(
    book: OrderBook, handler: Recording, case: str
) -> None:
    order, words = BAD[case]
    reply = await answered(book, order)
    assert not reply["ok"]
    assert reply["job"] is None
    assert reply["error"]["family"] == "refused"
    assert words in reply["error"]["message"]
    assert handler.asked == []


async def test_a_bad_order_keeps_its_id_as_far_as_it_can_be_read(book: OrderBook) -> None:
    assert (await answered(book, {"verb": "explode", "order": "a1"}))["order"] == "a1"
    assert (await answered(book, {"verb": "ready", "order": 5}))["order"] is None
    assert (await answered(book, b"\x00"))["order"] is None


@given(st.binary(max_size=200))
def test_no_bytes_at_all_break_the_order_book(payload: bytes) -> None:
    handler = Recording()
    book = OrderBook("workshop", handler, handler.replay, clock=lambda: TAKEN_AT)
    reply = asyncio.run(book.answer(payload))
    assert reply is not None
    assert not reply.ok
    assert handler.asked == []


async def test_a_refusal_of_the_engine_is_told_as_it_is_and_may_be_tried_again(
    book: OrderBook, handler: Recording
) -> None:
    handler.trouble = UnsafeError("the coupler could be damaged.", where="coupler", advice="Less.")
    first = await answered(book, GOOD)
    assert first["error"] == {
        "family": "unsafe",
        "where": "coupler",
        "message": "the coupler could be damaged.",
        "advice": "Less.",
    }
    handler.trouble = None
    assert (await answered(book, GOOD))["ok"]


async def test_a_fault_in_benchd_is_told_without_its_details(
    book: OrderBook, handler: Recording
) -> None:
    handler.trouble = KeyError("secret")
    with capture_logs() as logged:
        reply = await answered(book, GOOD)
    assert [(line["event"], line["log_level"]) for line in logged] == [
        ("an order hit a fault in benchd", "error")
    ]
    assert reply["error"]["family"] == "fault"
    assert "secret" not in json.dumps(reply)


async def test_an_order_that_takes_too_long_is_answered_and_not_repeated(
    book: OrderBook, handler: Recording, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(orders, "ANSWER_WITHIN_S", 0.01)

    async def never(job_id: str, step: int | None = None, /, *, noted: Noted) -> JobRow:
        handler.asked.append(("ready", job_id))
        return await asyncio.Future()

    monkeypatch.setattr(handler, "ready", never)
    order = {"verb": "ready", "order": "a1", "job": "job-1"}
    first = await answered(book, order)
    assert "it may still be carried out" in first["error"]["message"]
    assert await answered(book, order) == first
    assert handler.asked == [("ready", "job-1")]


async def test_an_order_that_arrives_twice_is_carried_out_once(
    book: OrderBook, handler: Recording
) -> None:
    first = await answered(book, GOOD)
    assert await answered(book, GOOD) == first
    assert len(handler.asked) == 1


async def test_an_order_id_used_for_something_else_is_refused(
    book: OrderBook, handler: Recording
) -> None:
    await answered(book, GOOD)
    reply = await answered(book, {"verb": "withdraw", "order": "a1", "job": "job-1"})
    assert "the order id a1 was used for another order" in reply["error"]["message"]
    assert len(handler.asked) == 1


async def test_orders_that_ask_for_the_same_together_are_carried_out_once(
    book: OrderBook, handler: Recording
) -> None:
    orders = [{"verb": "withdraw", "order": f"w{n % 3}", "job": "job-1"} for n in range(5)]
    opened = [book.open(json.dumps(one).encode()) for one in orders]
    replies = await book.carry_out(opened)
    assert [(one.order, one.ok) for one in replies] == [
        ("w0", True), ("w1", True), ("w2", True), ("w0", True), ("w1", True)
    ]  # fmt: skip
    assert handler.asked == [("withdraw", "job-1")]
    assert await book.carry_out(opened[:3]) == replies[:3]
    assert len(handler.asked) == 1


async def test_an_answer_that_came_with_the_deed_is_given_though_it_took_too_long(
    book: OrderBook, handler: Recording, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(orders, "ANSWER_WITHIN_S", 0.05)

    async def slow(job_id: str, /, *, noted: Noted) -> JobRow:
        noted(job_row(job_id))
        return await asyncio.Future()

    monkeypatch.setattr(handler, "withdraw", slow)
    assert (await answered(book, {"verb": "withdraw", "order": "w1", "job": "job-1"}))["ok"]


class Troubled(ShortMemory):
    """A memory whose disk does not work, or hangs."""

    def __init__(self, hangs: bool = False) -> None:
        super().__init__()
        self.hangs = hangs

    async def recall(self, order_ids: Sequence[str]) -> dict[str, Answered]:
        if self.hangs:
            await asyncio.Future()
        raise StoreError("the disk does not answer.")

    async def remember(self, answers: Sequence[Answered]) -> None:
        raise StoreError("the disk does not answer.")


@pytest.mark.parametrize("hangs", [False, True])
async def test_without_a_memory_nothing_but_a_withdrawal_is_carried_out(
    handler: Recording, hangs: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(orders, "RECALL_WITHIN_S", 0.05)
    memory = Troubled(hangs)
    book = OrderBook("workshop", handler, handler.replay, memory=memory, clock=lambda: TAKEN_AT)
    assert (await answered(book, {"verb": "withdraw", "order": "w1", "job": "job-1"}))["ok"]
    if not hangs:
        refused = await answered(book, GOOD)
        assert "the disk does not answer" in refused["error"]["message"]
    assert handler.asked == [("withdraw", "job-1")]


async def test_only_the_last_orders_are_remembered(
    book: OrderBook, handler: Recording, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(order_memory, "REMEMBERED_ORDERS", 3)
    for number in (0, 1, 2, 3, 4, 4, 3, 0):
        await answered(book, {**GOOD, "order": str(number)})
    assert len(handler.asked) == 6


async def test_a_retained_order_is_ignored(book: OrderBook, handler: Recording) -> None:
    assert await book.answer(json.dumps(GOOD).encode(), retained=True) is None
    assert handler.asked == []


async def test_an_order_that_cannot_wait_is_told_so(book: OrderBook, handler: Recording) -> None:
    reply = book.busy(book.open(json.dumps(GOOD).encode()))
    assert (reply.ok, reply.order, reply.verb) == (False, "a1", "queue")
    assert reply.error is not None
    assert (reply.error["family"], reply.error["message"]) == ("busy", "too many orders wait.")
    assert handler.asked == []


async def test_a_look_carries_what_was_taken_off_and_a_session_is_stopped(
    book: OrderBook, handler: Recording
) -> None:
    look = {"verb": "ready", "order": "a1", "job": "job-1", "step": 6, "removed_mm": 0.5}
    assert (await answered(book, look))["ok"]
    assert (await answered(book, {"verb": "stop", "order": "a2", "job": "job-1"}))["ok"]
    assert handler.asked == [("ready", "job-1", 6, 0.5e-3), ("stop", "job-1")]
    for number, length in enumerate(("0.5", -0.1, 1001, True)):
        reply = await answered(book, {**look, "order": f"b{number}", "removed_mm": length})
        assert not reply["ok"]
        assert "`removed_mm`" in reply["error"]["message"]
