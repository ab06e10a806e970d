"""The least server there can be, as the floor of what exchanges cost on a machine.

It stands for a source and an analyzer: it answers every query with one fixed reply, once the time
that a real instrument would need is over, and does nothing else. What a client needs beyond these
times is what operating system, sockets and Python cost. Run as a process of its own; its first
line of output is JSON and says at which ports it listens.

With `--trace` every reply is a trace of noise around -30 dBm.
"""

from __future__ import annotations

import argparse
import json
import select
import socket
import time

import numpy as np

SPIN_S = 1.2e-3
"""The last part of a wait is spent reading the clock, since a sleep ends too late."""


class Stand:
    """One of the two instruments: when it has settled, and what it answers."""

    def __init__(self, settle_s: float, dwell_s: float, answer: bytes) -> None:
        self._settle_s, self._dwell_s, self._answer = settle_s, dwell_s, answer
        self._settled_s = 0.0
        self._rest = b""

    def told(self, data: bytes) -> tuple[bytes, float]:
        """The answer to what has come, empty if none is due, and when it is due (monotonic, s)."""
        lines = (self._rest + data).split(b"\n")
        self._rest = lines.pop()
        answer, due_s = b"", 0.0
        for line in lines:
            now_s = time.monotonic()
            if b"FREQ" in line:
                self._settled_s = now_s + self._settle_s
            if b"?" in line:
                answer += self._answer
                due_s = max(now_s, self._settled_s) + (self._dwell_s if b"INIT" in line else 0.0)
        return answer, due_s


def wait_until(due_s: float) -> None:
    """Sleep, then read the clock, until a time of time.monotonic()."""
    left_s = due_s - time.monotonic()
    if left_s > SPIN_S:
        time.sleep(left_s - SPIN_S)
    while time.monotonic() < due_s:
        pass


def trace_reply(form: str, points: int) -> bytes:
    """A trace as an analyzer sends it: `ascii`, or `real32` and `real64` with the big end first."""
    levels_dbm = -30.0 + np.random.default_rng(1).normal(size=points)
    if form == "ascii":
        return ",".join(f"{level:.6E}" for level in levels_dbm.tolist()).encode() + b"\n"
    payload = levels_dbm.astype({"real32": ">f4", "real64": ">f8"}[form]).tobytes()
    length = str(len(payload))
    return f"#{len(length)}{length}".encode() + payload + b"\n"


def serve(settle_s: float, dwell_s: float, answers: tuple[bytes, bytes]) -> None:
    """One client after another, each with a connection to the source and one to the analyzer."""
    listening = [socket.create_server(("127.0.0.1", 0)) for _ in range(2)]
    ports = [one.getsockname()[1] for one in listening]
    print(json.dumps(dict(zip(("generator", "analyzer"), ports, strict=True))), flush=True)
    while True:
        serve_one(listening, settle_s, dwell_s, answers)


def serve_one(
    listening: list[socket.socket], settle_s: float, dwell_s: float, answers: tuple[bytes, bytes]
) -> None:
    """Until the client closes either connection."""
    poll = select.poll()
    links: dict[int, tuple[socket.socket, Stand]] = {}
    for place, answer in zip(listening, answers, strict=True):
        link, _ = place.accept()
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        links[link.fileno()] = link, Stand(settle_s, dwell_s, answer)
        poll.register(link, select.POLLIN)
    gone = False
    while not gone:
        due: list[tuple[float, bytes, socket.socket]] = []
        for descriptor, _ in poll.poll():
            link, stand = links[descriptor]
            data = link.recv(65536)
            gone = gone or not data
            answer, due_s = stand.told(data)
            if answer:
                due.append((due_s, answer, link))
        # Both are read before either is waited for: they settle at the same time.
        for due_s, answer, link in due:
            wait_until(due_s)
            link.sendall(answer)
    for link, _ in links.values():
        link.close()


def main() -> None:
    """Serve until killed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--settle-s", type=float, default=0.0)
    parser.add_argument("--dwell-s", type=float, default=0.0)
    parser.add_argument("--trace", choices=["ascii", "real32", "real64"])
    parser.add_argument("--points", type=int, default=1)
    chosen = parser.parse_args()
    answers = b"1\n", b"-3.000000E+01\n"
    if chosen.trace:
        trace = trace_reply(chosen.trace, chosen.points)
        answers = trace, trace
    serve(chosen.settle_s, chosen.dwell_s, answers)


if __name__ == "__main__":
    main()
