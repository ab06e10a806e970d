"""Batches and procedures, over real links and over canned replies."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from drivers.channels import _READ_SLICE_S, SLICE_S, SocketChannel
from drivers.errors import BadReply, BadSetting, DriverError, LinkLost, Stopped, UnexpectedReply
from drivers.exchange import Exchange, Meanwhile, Pause, Procedure, Progress, Reply, Series
from drivers.link import Link
from drivers.parse import number
from drivers.player import BatchPlayer, CannedPlayer, Player
from tests.drivers.servers import IDENTITY, Peer, Server, answering, serving

LONG_S = 60.0


def ask(instrument: str, message: str) -> Exchange:
    return Exchange(instrument, message, Reply.TEXT)


def tell(instrument: str, message: str) -> Exchange:
    return Exchange(instrument, message)


def echo(line: str) -> str | None:
    return f"{line[:-1]}\n" if line.endswith("?") else None


@contextmanager
def two_links(**settings: object) -> Iterator[tuple[dict[str, Link], dict[str, Server]]]:
    with serving(answering(echo)) as first, serving(answering(echo)) as second:
        links = {
            name: Link.open(name, server.address, **settings)  # type: ignore[arg-type]
            for name, server in (("source", first), ("analyzer", second))
        }
        try:
            yield links, {"source": first, "analyzer": second}
        finally:
            for link in links.values():
                link.close()


def test_both_instruments_are_written_to_before_either_is_read() -> None:
    other_was_written = threading.Event()

    def waits(server: Server, peer: Peer) -> None:
        for line in peer.lines():
            if line != "*IDN?":
                # Answers only once the other instrument has its message too.
                assert other_was_written.wait(10.0)
            peer.send(IDENTITY + "\n")

    def tells(server: Server, peer: Peer) -> None:
        for line in peer.lines():
            if line != "*IDN?":
                other_was_written.set()
            peer.send(IDENTITY + "\n")

    with (
        serving(waits) as first,
        serving(tells) as second,
        Link.open("source", first.address) as source,
        Link.open("analyzer", second.address) as analyzer,
    ):
        player = Player({"source": source, "analyzer": analyzer})
        values = player.perform((ask("source", "A?"), ask("analyzer", "B?")))
    assert values == [IDENTITY, IDENTITY]


def test_values_come_in_the_order_of_the_batch() -> None:
    with two_links() as (links, servers):
        values = Player(links).perform(
            (
                tell("source", "F 1"),
                ask("source", "A?"),
                ask("analyzer", "B?"),
                tell("source", "F 2"),
                ask("source", "C?"),
                tell("analyzer", "G 1"),
                tell("source", "F 3"),
            )
        )
        assert values == [None, "A", "B", None, "C", None, None]
        assert (
            Player(links).perform((ask("source", "END?"), ask("analyzer", "END?"))) == ["END"] * 2
        )
        assert servers["source"].messages[1:] == ["F 1", "A?", "F 2", "C?", "F 3", "END?"]
        assert servers["analyzer"].messages[1:] == ["B?", "G 1", "END?"]


def test_a_second_query_waits_for_the_first_reply_unless_a_backlog_is_allowed() -> None:
    def strict(server: Server, peer: Peer) -> None:
        """Answers, and records what had arrived by then beyond the query itself."""
        for line in peer.lines():
            if line != "*IDN?":
                server.messages.append(f"{line} then {len(peer._data)} more bytes")
            peer.send(IDENTITY + "\n")

    batch = (ask("source", "A?"), ask("source", "B?"))
    with serving(strict) as server:
        with Link.open("source", server.address) as link:
            Player({"source": link}).perform(batch)
        with Link.open("source", server.address, backlog=2) as link:
            Player({"source": link}).perform(batch)
        assert server.messages == [
            "A? then 0 more bytes",
            "B? then 0 more bytes",
            "A? then 3 more bytes",
            "B? then 0 more bytes",
        ]


def test_writes_never_exceed_the_input_buffer() -> None:
    sizes: list[int] = []

    def measure(server: Server, peer: Peer) -> None:
        while data := peer.connection.recv(65536):
            sizes.append(len(data))
            for line in data.decode().splitlines():
                server.messages.append(line)
                if line.endswith("?"):
                    peer.send("1\n")

    batch = tuple(tell("source", f"SET {index:02d} 0123456789") for index in range(20))
    with (
        serving(measure) as server,
        Link.open("source", server.address, max_write_bytes=70, identify=None) as link,
    ):
        player = Player({"source": link})
        player.perform((*batch, ask("source", "DONE?")))
        for exchange in batch:
            player.perform((exchange,))
        player.perform((ask("source", "DONE?"),))
        told = [message for message in server.messages if message != "*OPC?"]
    assert told == [*(exchange.message for exchange in batch), "DONE?"] * 2
    # An answer is awaited before the buffer could overfill, however the segments arrive.
    assert max(sizes) <= 70


def test_a_message_larger_than_the_input_buffer_is_refused() -> None:
    with two_links(max_write_bytes=64) as (links, servers):
        for batch in (
            (tell("source", "X" * 58),),
            (tell("analyzer", "A"), tell("source", "X" * 58)),
        ):
            with pytest.raises(BadSetting, match=r"59 bytes is too long; .* has room for 58"):
                Player(links).perform(batch)
        assert servers["analyzer"].messages == servers["source"].messages == ["*IDN?"]


def test_an_unknown_instrument_is_named() -> None:
    with two_links() as (links, _):
        for batch in ((tell("sorce", "A"),), (tell("source", "A"), tell("sorce", "A"))):
            with pytest.raises(BadSetting, match="no instrument of this name is open"):
                Player(links).perform(batch)


def test_a_bad_reply_is_raised_after_all_were_read() -> None:
    with two_links() as (links, _):
        player = Player(links)
        bad = Exchange("source", "A?", Reply.TEXT, number)
        with pytest.raises(BadReply, match="source: expected a number, found 'A'"):
            player.perform((bad, ask("analyzer", "B?"), ask("source", "C?")))
        assert player.perform((ask("source", "D?"), ask("analyzer", "E?"))) == ["D", "E"]


def test_one_lost_instrument_leaves_the_other_usable_and_in_step() -> None:
    def close(server: Server, peer: Peer) -> None:
        for line in peer.lines():
            if line != "*IDN?":
                return
            peer.send(IDENTITY + "\n")

    with (
        serving(close) as first,
        serving(answering(echo)) as second,
        Link.open("source", first.address, timeout_s=LONG_S) as source,
        Link.open("analyzer", second.address) as analyzer,
    ):
        player = Player({"source": source, "analyzer": analyzer})
        with pytest.raises(LinkLost, match="source: was lost"):
            player.perform((ask("source", "A?"), ask("analyzer", "STALE?")))
        assert player.perform((ask("analyzer", "FRESH?"),)) == ["FRESH"]


def test_a_procedure_runs_to_its_result() -> None:
    seen: list[Progress] = []

    def procedure() -> Procedure[str]:
        (first,) = yield (ask("source", "A?"),)
        assert (yield Pause(0.001)) == []
        assert (yield Progress(1, 2, "half")) == []
        second, third = yield (ask("source", "B?"), ask("analyzer", "C?"))
        return f"{first}{second}{third}"

    with two_links() as (links, _):
        assert Player(links, on_progress=seen.append).run(procedure()) == "ABC"
    assert seen == [Progress(1, 2, "half")]


def test_a_procedure_may_handle_an_instruments_fault() -> None:
    def procedure() -> Procedure[str]:
        try:
            yield (Exchange("source", "A?", Reply.TEXT, number),)
        except BadReply:
            (again,) = yield (ask("source", "B?"),)
            return f"handled, {again}"
        return "no fault"

    with two_links() as (links, _):
        assert Player(links).run(procedure()) == "handled, B"


def test_a_stop_is_raised_inside_the_procedure_and_nothing_more_is_sent() -> None:
    events: list[str] = []

    def procedure() -> Procedure[None]:
        try:
            yield (tell("source", "A"),)
            events.append("first done")
            yield (tell("source", "B"),)
        except Stopped:
            events.append("stopped")
            raise
        finally:
            events.append("left")
            yield (tell("source", "LATE"),)

    player = CannedPlayer(lambda _: None, cancel=lambda: bool(events))
    with pytest.raises(Stopped):
        player.run(procedure())
    assert events == ["first done", "stopped", "left"]
    assert player.messages("source") == ["A"]


def test_a_stop_ends_a_long_pause() -> None:
    asked = 0

    def cancel() -> bool:
        nonlocal asked
        asked += 1
        return asked == 4

    def procedure() -> Procedure[None]:
        yield Pause(3600.0)

    with pytest.raises(Stopped):
        Player({}, cancel=cancel).run(procedure())
    assert asked == 4


def test_a_stop_ends_a_long_read_and_the_link_recovers_by_itself() -> None:
    asked = 0

    def cancel() -> bool:
        nonlocal asked
        asked += 1
        return asked > 3

    def procedure() -> Procedure[None]:
        yield (ask("source", "NEVER"),)

    with two_links(timeout_s=LONG_S) as (links, servers):
        with pytest.raises(Stopped):
            Player(links, cancel=cancel).run(procedure())
        assert Player(links).perform((ask("source", "RF?"),)) == ["RF"]
        assert servers["source"].messages == ["*IDN?", "NEVER", "*IDN?", "RF?"]


def test_a_fault_in_the_program_closes_the_procedure() -> None:
    closed: list[bool] = []

    def procedure() -> Procedure[None]:
        try:
            yield "not a batch"  # type: ignore[misc]
        finally:
            closed.append(True)

    with pytest.raises(TypeError, match="a procedure yielded 'not a batch'"):
        Player({}).run(procedure())
    assert closed == [True]


def test_canned_replies_are_parsed_like_real_ones() -> None:
    player = CannedPlayer(lambda exchange: {"A?": "1.5"}.get(exchange.message))
    assert player.perform((Exchange("x", "A?", Reply.TEXT, number), tell("x", "B"))) == [1.5, None]
    with pytest.raises(TypeError, match="no canned reply to 'C\\?' of x"):
        player.perform((ask("x", "C?"),))

    def pausing() -> Procedure[None]:
        yield Pause(3600.0)
        yield Pause(0.5)

    player.run(pausing())
    assert player.waited_s == 3600.5


def test_the_base_player_performs_nothing() -> None:
    with pytest.raises(TypeError, match="BatchPlayer performs no batches"):
        BatchPlayer().perform(())


def test_errors_read_as_sentences() -> None:
    error = DriverError("generator", "does not answer.", "FREQ 1\n", "Check the cable.")
    assert str(error) == "generator: does not answer. (command: 'FREQ 1\\n') Check the cable."
    assert str(UnexpectedReply("a number", "'x'")) == "expected a number, found 'x'"


ON = Exchange("source", ":OUTP:STAT ON", radiates=True)


def test_what_radiates_is_sent_once_in_a_run_whatever_a_procedure_asks_for() -> None:
    def twice() -> Procedure[None]:
        yield (ON,)
        yield (tell("source", ":OUTP:STAT OFF"),)
        yield (tell("source", ":OUTP:STAT OFF"), ON)

    with two_links() as (links, servers):
        with pytest.raises(BadSetting, match=r"source: this switches RF on .* was sent once"):
            Player(links).run(twice())
        links["source"].query("END?")
        assert servers["source"].messages[1:] == [":OUTP:STAT ON", ":OUTP:STAT OFF", "END?"]


def test_what_radiates_is_not_sent_again_after_an_error() -> None:
    """A procedure that catches the loss of a link must not switch on blindly."""
    sent: list[str] = []

    def answer(exchange: Exchange) -> str | None:
        sent.append(exchange.message)
        raise LinkLost("source", "was lost")

    def stubborn() -> Procedure[None]:
        try:
            yield (ON,)
        except LinkLost:
            yield (ON,)

    with pytest.raises(BadSetting):
        CannedPlayer(answer).run(stubborn())
    assert sent == [":OUTP:STAT ON"]
    # A new run is a new decision, made with RF off.
    with pytest.raises(BadSetting):
        CannedPlayer(answer).run(stubborn())
    assert sent == [":OUTP:STAT ON"] * 2


def test_two_different_messages_that_move_something_may_follow_each_other() -> None:
    def both() -> Procedure[None]:
        yield (Exchange("source", "CLOSE 1", radiates=True),)
        yield (Exchange("source", "CLOSE 2", radiates=True),)

    CannedPlayer(lambda _: None).run(both())


def test_a_series_follows_batch_by_batch_and_brings_the_values_of_each() -> None:
    batches = ((tell("analyzer", "TUNE"), ask("source", "A?")), (ask("analyzer", "B?"),))

    def procedure() -> Procedure[list[list[str]]]:
        return (yield Series(batches))

    with two_links() as (links, servers):
        assert Player(links).run(procedure()) == [[None, "A"], ["B"]]
    assert servers["analyzer"].messages[-2:] == ["TUNE", "B?"]
    canned = CannedPlayer(lambda exchange: exchange.message[0] if exchange.reply.value else None)
    assert canned.run(procedure()) == [[None, "A"], ["B"]]


def test_a_stop_in_a_series_ends_it_before_the_next_batch() -> None:
    stop = threading.Event()

    def answer(exchange: Exchange) -> str:
        stop.set()
        return "1"

    def procedure() -> Procedure[None]:
        yield Series([(ask("source", "A?"),), (ask("source", "B?"),)])

    player = CannedPlayer(answer, cancel=stop.is_set)
    with pytest.raises(Stopped):
        player.run(procedure())
    assert player.messages("source") == ["A?"]


def test_what_radiates_is_sent_once_also_by_a_series() -> None:
    on = Exchange("source", "ON", radiates=True)

    def procedure() -> Procedure[None]:
        yield Series([(on,), (ask("source", "A?"),)])
        yield Series([(ask("source", "B?"),), (on,)])

    player = CannedPlayer(lambda exchange: "1" if exchange.message.endswith("?") else None)
    with pytest.raises(BadSetting, match="was sent once already"):
        player.run(procedure())
    assert player.messages("source") == ["ON", "A?"]


def test_what_is_told_and_worked_out_beside_waits_until_the_next_message_has_left() -> None:
    """The instrument answers only after it was done, and would else be waited for in vain."""
    done: list[str] = []
    is_done = threading.Event()

    def waits(server: Server, peer: Peer) -> None:
        for line in peer.lines():
            if line == "LAST?":
                assert is_done.wait(10.0)
            peer.send(IDENTITY + "\n")

    def note(what: str) -> None:
        done.append(what)
        if len(done) == 2:
            is_done.set()

    def procedure() -> Procedure[None]:
        yield (ask("source", "FIRST?"),)
        yield Progress(1, 2, "half")
        yield Meanwhile(lambda: note("worked out"))
        assert done == []
        yield (ask("source", "LAST?"),)
        assert done == ["half", "worked out"]
        yield Meanwhile(lambda: note("at the end"))

    with serving(waits) as server, Link.open("source", server.address) as source:
        player = Player({"source": source}, on_progress=lambda told: note(told.text))
        player.run(procedure())
    assert done == ["half", "worked out", "at the end"]


@pytest.mark.skipif(sys.platform != "linux", reason="other systems count their waits otherwise")
def test_replies_are_waited_for_by_the_read_itself() -> None:
    """Linux keeps a time limit of a read in whole ticks, of which it has 100, 250, 300 or 1,000 a
    second (Linux, kernel/Kconfig.hz): a limit that is none of them is kept as another, and then
    every reply costs a call more."""
    with two_links() as (links, _):
        for link in links.values():
            assert isinstance(link._channel, SocketChannel)
            assert link._channel._waits_in_slices
    assert all((_READ_SLICE_S * ticks_hz).is_integer() for ticks_hz in (100, 250, 300, 1000))
    assert _READ_SLICE_S < SLICE_S


def test_whoever_watches_a_player_sees_every_batch_of_a_series() -> None:
    """What of a batch was prepared before its turn is what is sent at its turn."""
    seen: list[tuple[Exchange, ...]] = []

    class Watched(Player):
        def perform(self, batch: tuple[Exchange, ...]) -> list[object]:
            seen.append(batch)
            return super().perform(batch)

    again = (ask("source", "SAME?"),)
    batches = [again, (tell("analyzer", "TUNE"), ask("source", "A?")), again, again]

    def procedure() -> Procedure[list[list[str]]]:
        yield (ask("analyzer", "FIRST?"),)
        return (yield Series(batches))

    with two_links() as (links, servers):
        found = Watched(links).run(procedure())
    assert found == [["SAME"], [None, "A"], ["SAME"], ["SAME"]]
    assert seen[1:] == batches
    assert servers["source"].messages[-4:] == ["SAME?", "A?", "SAME?", "SAME?"]


def test_a_batch_of_a_series_that_cannot_be_sent_is_told_at_its_turn() -> None:
    """Neither of two instruments gets its message where the other has no room for its own."""
    fine = (ask("source", "A?"),)
    too_long = (tell("analyzer", "TUNE"), ask("source", "X" * 200 + "?"))

    def procedure() -> Procedure[None]:
        with pytest.raises(BadSetting, match="too long"):
            yield Series([fine, too_long])
        assert (yield (ask("source", "B?"), ask("analyzer", "C?"))) == ["B", "C"]

    with two_links(max_write_bytes=64) as (links, servers):
        Player(links).run(procedure())
    assert servers["source"].messages[-2:] == ["A?", "B?"]
    assert servers["analyzer"].messages[-1] == "C?"
    assert "TUNE" not in servers["analyzer"].messages
