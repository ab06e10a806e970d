"""The exchanges of a point by bare sockets: what instruments and wire alone take."""

from __future__ import annotations

import socket
import time

from benchd.sweeps import SweepPlan


class Line:
    """One instrument's socket, without Nagle's algorithm. Replies end with a line feed."""

    def __init__(self, address: str) -> None:
        _, host, port, _ = (part for part in address.split("::"))
        self._socket = socket.create_connection((host, int(port)))
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def say(self, *messages: str) -> None:
        """Send messages, each with its line feed, in one write."""
        self._socket.sendall("".join(f"{message}\n" for message in messages).encode())

    def hear(self) -> bytes:
        """One reply."""
        reply = b""
        while not reply.endswith(b"\n"):
            reply += self._socket.recv(4096)
        return reply

    def close(self) -> None:
        """Hang up."""
        self._socket.close()


def seconds_a_point(
    addresses: dict[str, str], plan: SweepPlan, *, sweeps: int = 1, tuned: bool = True
) -> float:
    """Seconds that one point takes: tune both, wait until the source has settled, read the level.

    Settling and dwell of the simulated instruments are in it. RF is on meanwhile, and off again
    at the end. sweeps: how often the points of the plan are gone through. tuned: without it the
    level is only read, again and again.
    """
    source, analyzer = Line(addresses["generator"]), Line(addresses["analyzer"])
    try:
        analyzer.say(
            "SENS:FREQ:SPAN 0",
            "SENS:SWE:POIN 1",
            f"SENS:BAND:RES {plan.resolution_bandwidth_hz:g}",
            "SENS:DET:FUNC RMS",
            f"SENS:SWE:TIME {plan.dwell_s:g}",
            "INIT:CONT OFF",
            "FORM:DATA ASC",
        )
        source.say(f"SOUR:POW {plan.level_dbm:g}", "OUTP ON", "*OPC?")
        source.hear()
        step_hz = (plan.stop_hz - plan.start_hz) / (plan.points - 1)
        begun = time.perf_counter()
        for index in list(range(plan.points)) * sweeps:
            if tuned:
                frequency_hz = round(plan.start_hz + index * step_hz)
                analyzer.say(f"SENS:FREQ:CENT {frequency_hz}")
                source.say(f"SOUR:FREQ {frequency_hz}", "*OPC?")
                source.hear()
            analyzer.say("INIT:IMM;*WAI;:TRAC:DATA? TRACE1")
            analyzer.hear()
        taken_s = time.perf_counter() - begun
        source.say("OUTP OFF", "*OPC?")
        source.hear()
        return taken_s / (plan.points * sweeps)
    finally:
        source.close()
        analyzer.close()
