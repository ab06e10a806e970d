import json
import random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.publish import Subscriber

STREAMS = ("job", "result", "verdict")


def night(
    count: int, seed: int, epoch: str = "epoch-1", *, restored_to: int = 0, first: int = 1
) -> list[tuple[str, dict[str, Any]]]:
    """Events of several streams, numbered as a bench numbers them.

    restored_to, first: the database stood there, with events of the same seed, and goes on in an
    epoch that begins with `first`; only what comes then is given.
    """
    chance = random.Random(seed)
    last = dict.fromkeys(STREAMS, 0)
    for sequence in range(1, restored_to + 1):
        last[chance.choice(STREAMS)] = sequence
    if restored_to:
        chance = random.Random(seed + 1000)
    events = []
    for sequence in range(restored_to + 1, count + 1):
        stream = chance.choice(STREAMS)
        message = {"epoch": epoch, "sequence": sequence, "previous": last[stream]}
        message["epoch_first"] = first
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


def restored(
    stream: str | None = None,
) -> tuple[list[tuple[str, dict[str, Any]]], list[tuple[str, dict[str, Any]]]]:
    """A night of 60 events, and what came after its database was put back to event 50."""
    old, new = night(60, 4), night(70, 4, "epoch-2", restored_to=50, first=51)
    if stream is None:
        return old, new
    return [one for one in old if one[0] == stream], [one for one in new if one[0] == stream]


@pytest.mark.parametrize("stream", [None, *STREAMS])
def test_after_a_restored_backup_every_result_is_new_and_nothing_is_missing(
    stream: str | None,
) -> None:
    old, new = restored(stream)
    reader = Subscriber(stream=stream, after=0)
    assert feed(reader, old) == ["new"] * len(old)
    first = reader.feed(new[0][0], json.dumps(new[0][1]))
    assert (first.kind, first.restarted) == ("new", True)
    assert feed(reader, new[1:]) == ["new"] * (len(new) - 1)
    assert feed(reader, old + new) == ["duplicate"] * (len(old) + len(new))
    assert reader.gaps == ()
    assert (reader.epoch, reader.last_sequence) == ("epoch-2", new[-1][1]["sequence"])


@pytest.mark.parametrize("stream", [None, *STREAMS])
def test_what_was_missed_before_and_after_a_restored_backup_can_be_had_again(
    stream: str | None,
) -> None:
    old, new = restored(stream)
    reader = Subscriber(stream=stream, after=0)
    shared = [one for one in old if one[1]["sequence"] <= 50]
    missed = old[2:5] + new[:2]
    feed(reader, [one for one in old if one not in missed and one in shared[:-2]])
    feed(reader, new[2:])
    assert {one[1]["sequence"] for one in (*missed, *shared[-2:])} <= missing(reader)
    for first, last in reader.gaps:
        assert "new" not in feed(
            reader, [e for e in shared + new if first <= e[1]["sequence"] <= last]
        )
    assert reader.gaps == ()
    assert feed(reader, shared + new) == ["duplicate"] * (len(shared) + len(new))


@pytest.mark.parametrize("stream", [None, *STREAMS])
def test_who_begins_in_a_later_epoch_reads_the_earlier_one_by_replay(stream: str | None) -> None:
    old, new = restored(stream)
    shared = [one for one in old if one[1]["sequence"] <= 50]
    reader = Subscriber(stream=stream, after=0)
    assert set(feed(reader, new)) == {"new"}
    assert feed(reader, shared) == ["late"] * len(shared)
    assert reader.gaps == ()
    assert reader.epoch == "epoch-2"


def test_who_comes_back_knows_the_epoch_it_left() -> None:
    old, new = restored()
    before = Subscriber(after=0)
    feed(before, old)
    reader = Subscriber(after=before.last_sequence, epoch=before.epoch)
    assert feed(reader, new) == ["new"] * len(new)
    again = Subscriber(after=reader.last_sequence, epoch=reader.epoch)
    assert feed(again, new) == ["duplicate"] * len(new)


def test_an_event_of_the_lost_database_that_comes_late_is_not_lost_and_ends_no_epoch() -> None:
    old, new = restored()
    reader = Subscriber(after=0)
    feed(reader, old[:55] + new[:3])
    assert feed(reader, old[55:57]) == ["late", "late"]
    assert feed(reader, old[55:57]) == ["duplicate", "duplicate"]
    assert feed(reader, new[3:]) == ["new"] * (len(new) - 3)
    assert reader.gaps == ()


@pytest.mark.parametrize("schema", ["benchd.presence/1", "benchd.epoch/1"])
def test_a_new_epoch_is_told_before_its_first_event(schema: str) -> None:
    old, new = restored()
    reader = Subscriber(after=0)
    feed(reader, old)
    told = {"schema": schema, "epoch": "epoch-2", "epoch_first": 51, "sequence": 50}
    reading = reader.feed("p", json.dumps(told))
    assert (reading.kind, reading.restarted) == ("state", True)
    # That of before, which a broker brings late, changes nothing.
    stale = {**told, "epoch": "epoch-1", "epoch_first": 1, "sequence": 60}
    assert reader.feed("p", json.dumps(stale)).restarted is False
    assert feed(reader, new[1:]) == ["new"] * (len(new) - 1)
    assert reader.gaps == ((51, 51),)


def test_a_state_of_before_the_backup_counts_where_no_newer_one_took_its_place() -> None:
    _, new = restored()
    reader = Subscriber()
    feed(reader, new)

    def state(topic: str, sequence: int, epoch: str) -> str:
        return reader.feed(topic, json.dumps({"epoch": epoch, "sequence": sequence})).kind

    assert state("a", 40, "epoch-1") == "state"
    assert state("b", 58, "epoch-1") == "old-state"
    assert state("a", 55, "epoch-2") == "state"
    assert state("a", 40, "epoch-1") == "old-state"


@pytest.mark.parametrize("again", [30, 52])
def test_a_backup_may_be_restored_twice(again: int) -> None:
    old, new = restored()
    reader = Subscriber(after=0)
    feed(reader, old + new)
    third = night(80, 4, "epoch-3", restored_to=again, first=again + 1)
    assert feed(reader, third) == ["new"] * len(third)
    assert feed(reader, third + new + old) == ["duplicate"] * len(third + new + old)


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
