import json
import random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.publish import Subscriber

STREAMS = ("job", "result", "verdict")


def night(count: int, seed: int, epoch: str = "epoch-1") -> list[tuple[str, dict[str, Any]]]:
    """Events of several streams, numbered as a bench numbers them."""
    chance = random.Random(seed)
    last = dict.fromkeys(STREAMS, 0)
    events = []
    for sequence in range(1, count + 1):
        stream = chance.choice(STREAMS)
        message = {"epoch": epoch, "sequence": sequence, "previous": last[stream]}
        last[stream] = sequence
        events.append((stream, {**message, "id": f"{epoch}-{sequence}"}))
    return events


def feed(reader: Subscriber, events: list[tuple[str, dict[str, Any]]]) -> list[str]:
    return [reader.feed(topic, json.dumps(message)).kind for topic, message in events]


def missing(reader: Subscriber) -> set[int]:
    return {number for first, last in reader.gaps for number in range(first, last + 1)}


def test_an_unbroken_night_has_no_gaps() -> None:
    reader = Subscriber(after=0)
    assert feed(reader, night(50, 1)) == ["new"] * 50
    assert reader.gaps == ()
    assert reader.last_sequence == 50


def test_what_was_lost_at_the_very_beginning_is_a_gap_for_who_wants_everything() -> None:
    assert feed(reader := Subscriber(after=0), night(10, 1)[4:]) == ["new"] * 6
    assert reader.gaps == ((1, 4),)


def test_who_begins_with_whatever_comes_misses_nothing_before_it() -> None:
    assert feed(reader := Subscriber(), night(10, 1)[4:]) == ["new"] * 6
    assert reader.gaps == ()


def test_a_lost_message_is_a_gap_until_it_is_replayed() -> None:
    events = night(10, 2)
    reader = Subscriber()
    feed(reader, events[:3] + events[5:])
    assert reader.gaps == ((4, 5),)
    assert feed(reader, [events[3]]) == ["late"]
    assert feed(reader, [events[3]]) == ["duplicate"]
    assert feed(reader, [events[4]]) == ["late"]
    assert reader.gaps == ()
    assert feed(reader, events) == ["duplicate"] * 10


@given(
    count=st.integers(1, 60),
    seed=st.integers(0, 1000),
    chance=st.randoms(use_true_random=False),
    stream=st.sampled_from((None, *STREAMS)),
)
def test_gaps_close_exactly_when_everything_has_come(
    count: int, seed: int, chance: random.Random, stream: str | None
) -> None:
    """Any losses, duplicates and any order of replaying; all streams at once or one alone."""
    wanted = [event for event in night(count, seed) if stream in (None, event[0])]
    reader = Subscriber(stream=stream, after=0)
    first_pass = [event for event in wanted if chance.random() < 0.6]
    kinds = feed(reader, first_pass)
    assert set(kinds) <= {"new"}
    lost = [event for event in wanted if event not in first_pass]
    seen_to = first_pass[-1][1]["sequence"] if first_pass else 0
    lost_before = [event for event in lost if event[1]["sequence"] < seen_to]
    # Every lost number lies in a gap; for all streams at once the gaps hold nothing else.
    assert {event[1]["sequence"] for event in lost_before} <= missing(reader)
    assert bool(lost_before) == bool(reader.gaps)
    replayed = lost_before + [event for event in first_pass if chance.random() < 0.5]
    chance.shuffle(replayed)
    late = [kind for kind in feed(reader, replayed) if kind != "duplicate"]
    assert late == ["late"] * len(lost_before) or stream is None
    if stream is None:
        assert reader.gaps == ()
    assert feed(reader, wanted[: len(first_pass)]).count("new") <= len(lost)


@pytest.mark.parametrize("stream", [None, *STREAMS])
def test_a_whole_replay_closes_every_gap(stream: str | None) -> None:
    wanted = [event for event in night(80, 3) if stream in (None, event[0])]
    reader = Subscriber(stream=stream, after=0)
    feed(reader, wanted[::3])
    assert reader.gaps
    for first, last in reader.gaps:
        feed(reader, [event for event in wanted if first <= event[1]["sequence"] <= last])
    assert reader.gaps == ()


def test_a_new_database_begins_a_new_count() -> None:
    reader = Subscriber(after=0)
    feed(reader, night(10, 1)[:4] + night(10, 1)[6:])
    reading = reader.feed("job/1", json.dumps(night(3, 1, "epoch-2")[0][1]))
    assert (reading.kind, reading.restarted) == ("new", True)
    assert reader.gaps == ()
    assert reader.last_sequence == 1


def test_the_newest_state_wins() -> None:
    reader = Subscriber()
    topic = "benchd/workshop/latest/dipole/return_loss"

    def state(sequence: int, epoch: str = "epoch-1") -> str:
        return reader.feed(topic, json.dumps({"epoch": epoch, "sequence": sequence})).kind

    assert [state(5), state(7), state(5), state(7)] == ["state", "state", "old-state", "state"]
    feed(reader, night(1, 1))
    assert state(9, "epoch-0") == "old-state"
    assert reader.feed("p", '{"schema": "benchd.presence/1", "state": "online"}').kind == "state"


@given(st.one_of(st.binary(), st.just(b"[" * 100_000), st.just(b'{"sequence": "x"}')))
def test_no_bytes_break_the_subscriber(payload: bytes) -> None:
    assert Subscriber().feed("any", payload).kind == "unknown"
