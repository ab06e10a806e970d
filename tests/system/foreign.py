"""A bench of made-up instruments that word nearly everything in their own way.

Three servers on loopback: a source that has no `*IDN?`, cannot be asked whether RF is on and tells
faults without numbers; an analyzer that has no status register and no error queue and puts units
behind its readings; a switch that takes one channel a message and cannot be asked where it stands.
Between them lie a coupler with a leak, and an open, a short and a resonator on the switch. The
physics is this file's own. Everything that was said is recorded in order.
"""

from __future__ import annotations

import math
import random
import socketserver
import threading
from dataclasses import dataclass, field
from typing import Any

OPEN, SHORT, ANTENNA = 1, 2, 3
LOSS_DB, COUPLING_DB, NOISE_DBM = 1.2, 16.0, -98.0
LEAK, MATCH = 10.0 ** (-34.0 / 20.0), 10.0 ** (-21.0 / 20.0)

BENCH = """\
bench: foreign
title: Instruments of a make of their own
timezone: UTC
instruments:
  generator:
    kind: source
    driver: scpi-source
    address: "TCPIP::127.0.0.1::{generator}::SOCKET"
    identity: Emitter of the attic, number 3
    frequency: [400 MHz, 3 GHz]
    level: [-60 dBm, 10 dBm]
    settle: 1 ms
    commands:
      identify: null
      next_error: "TROUBLE?"
      clear: null
      reset: FRESH
      finished: null
      set_frequency: "CARRIER {{frequency_mhz:.6f}} MHZ"
      set_frequency_settled: "TUNE? {{frequency_mhz:.6f}}"
      frequency_query: "CARRIER?"
      set_level: "STRENGTH {{level_dbm:.2f}}"
      level_query: "STRENGTH?"
      rf_on: "EMIT YES"
      rf_off: "EMIT NO"
      rf_query: null
    replies:
      set_frequency_settled: {{done: LOCKED}}
      frequency_query: "{{value_mhz}} MHZ"
      level_query: "{{value}} DBM"
      next_error: {{form: "{{text}}", none: ALL WELL}}
  analyzer:
    kind: analyzer
    driver: scpi-analyzer
    address: "TCPIP::127.0.0.1::{analyzer}::SOCKET"
    identity: Hearing thing
    frequency: [10 MHz, 3 GHz]
    largest_input: 20 dBm
    linearity: 0.1 dB
    noise_figure: 25 dB
    commands:
      identify: "WHO?"
      next_error: null
      clear: null
      reset: FRESH
      finished: "IDLE?"
      status: null
      set_centre: "EAR {{centre_mhz:.6f}}"
      set_centre_settled: "EAR? {{centre_mhz:.6f}}"
      set_span: null
      set_points: null
      set_resolution_bandwidth: "FILTER {{resolution_bandwidth_khz:.4g}}"
      resolution_bandwidth_query: null
      set_sweep_time: "LINGER {{sweep_time_ms:.4g}}"
      set_detector: null
      set_reference_level: null
      write_trace: null
      continuous_off: null
      format_ascii: null
      trigger: GO
      trigger_point: "HEAR?"
      point: "HEAR? {{centre_mhz:.6f}}"
      single_sweep: "SWEEP?"
      fetch_trace: "LIST?"
    replies:
      finished: {{done: IDLE}}
      set_centre_settled: {{done: THERE}}
      trigger_point: "{{value}} dBm"
  switch:
    kind: switch
    driver: scpi-switch
    address: "TCPIP::127.0.0.1::{switch}::SOCKET"
    identity: Selector
    options: {{one_by_one: true}}
    commands:
      identify: "WHO?"
      next_error: null
      clear: null
      reset: null
      finished: null
      close: "TO {{channels}}"
      open: null
      closed_query: null
    largest_power: 30 dBm
    loss: 0 dB
    repeatability: 0.01 dB
    match: 30 dB
    banks:
      port: {{open: 1, short: 2, antenna: 3}}
fixtures:
  source_cable: {{kind: cable, loss: 1.2 dB, largest_power: 37 dBm}}
  port_cable:
    {{kind: cable, loss: 0 dB, delay: 1 ns, largest_power: 37 dBm, repeatability: 0.01 dB,
     reflection_repeatability: 60 dB}}
  sense_cable: {{kind: cable, loss: 0 dB, largest_power: 37 dBm}}
  coupler:
    {{kind: coupler, loss: 0 dB, coupling: 16 dB, directivity: 34 dB, source_match: 21 dB,
     largest_power: 30 dBm}}
box: {{inside: [600 mm, 400 mm, 400 mm], shielded: no}}
antennas:
  whip: {{revision: a, design_frequency: 1 GHz, largest_dimension: 70 mm}}
routes:
  middle:
    kind: reflection
    source: generator
    out: [source_cable, coupler.through, port_cable, switch.port]
    port: middle
    back: [coupler.coupled, sense_cable]
    analyzer: analyzer
    positions:
      open: {{switch: {{port: open}}}}
      short: {{switch: {{port: short}}}}
      antenna: {{switch: {{port: antenna}}}}
"""

RECIPE = """\
recipe: foreign-look
title: Return loss on instruments of another make
sweeps:
  main: {method: stepped, centre: 1 GHz, span: 200 MHz, points: 41, level: -10 dBm,
    resolution_bandwidth: 10 kHz, dwell: 1 ms}
steps:
  - capture: {name: open, role: open, route: middle, position: open, sweep: main}
  - capture: {name: short, role: short, route: middle, position: short, sweep: main}
  - capture: {name: antenna, role: test, route: middle, position: antenna, antenna: whip,
      sweep: main}
  - reduce:
      kind: reflection
      test: antenna
      baseline: {open: open, short: short}
      design_frequency: 1 GHz
      at: [1 GHz]
"""


@dataclass
class Workshop:
    """What the three instruments share, and what was said to each.

    obeys: False for a source that radiates whatever it is told.
    """

    frequency_mhz: float = 500.0
    level_dbm: float = -60.0
    radiates: bool = True
    obeys: bool = True
    position: int = OPEN
    ear_mhz: float = 500.0
    trouble: str = "ALL WELL"
    said: dict[str, list[str]] = field(default_factory=lambda: {"generator": [], "analyzer": [],
                                                                "switch": []})  # fmt: skip
    connections: dict[str, list[list[str]]] = field(
        default_factory=lambda: {"generator": [], "analyzer": [], "switch": []}
    )
    chance: random.Random = field(default_factory=lambda: random.Random(4))

    def reflection(self, frequency_mhz: float) -> complex:
        """Of what stands on the switch."""
        if self.position != ANTENNA:
            return 1.0 if self.position == OPEN else -1.0
        detuned = 9.0 * (frequency_mhz / 990.0 - 990.0 / frequency_mhz)
        impedance = complex(65.0, 65.0 * detuned)
        return (impedance - 50.0) / (impedance + 50.0)

    def hears_dbm(self) -> float:
        """One reading of the analyzer: carrier, if it is tuned to it, and noise."""
        noise_mw = 10.0 ** (NOISE_DBM / 10.0) * self.chance.gammavariate(10.0, 0.1)
        power_mw = noise_mw
        if self.radiates and abs(self.ear_mhz - self.frequency_mhz) < 0.005:
            gamma = self.reflection(self.frequency_mhz)
            turn = complex(math.cos(self.frequency_mhz / 40.0), math.sin(self.frequency_mhz / 40.0))
            shown = abs(LEAK * turn + gamma / (1.0 - MATCH * turn.conjugate() * gamma))
            level = self.level_dbm - LOSS_DB - COUPLING_DB + 20.0 * math.log10(shown)
            power_mw += 10.0 ** (level / 10.0)
        return 10.0 * math.log10(power_mw)

    # Each takes a message and gives the reply, None for none.

    def generator(self, words: str) -> str | None:
        """The source."""
        match words.split():
            case ["CARRIER", mhz, "MHZ"]:
                self.frequency_mhz = float(mhz)
            case ["TUNE?", mhz]:
                self.frequency_mhz = float(mhz)
                return "LOCKED"
            case ["CARRIER?"]:
                return f"{self.frequency_mhz:.6f} MHZ"
            case ["STRENGTH", dbm]:
                self.level_dbm = float(dbm)
            case ["STRENGTH?"]:
                return f"{self.level_dbm:.2f} DBM"
            case ["EMIT", "YES"]:
                self.radiates = True
            case ["EMIT", "NO"]:
                self.radiates = not self.obeys
            case ["TROUBLE?"]:
                told, self.trouble = self.trouble, "ALL WELL"
                return told
            case ["FRESH"]:
                self.level_dbm, self.radiates = -60.0, self.radiates and not self.obeys
            case _:
                self.trouble = "WORD NOT KNOWN"
        return None

    def analyzer(self, words: str) -> str | None:
        """The analyzer. It says nothing to what it does not know."""
        match words.split():
            case ["WHO?"]:
                return "Hearing thing, number 7"
            case ["IDLE?"]:
                return "IDLE"
            case ["EAR", mhz]:
                self.ear_mhz = float(mhz)
            case ["EAR?", mhz]:
                self.ear_mhz = float(mhz)
                return "THERE"
            case ["HEAR?"]:
                return f"{self.hears_dbm():.3f} dBm"
        return None

    def switch(self, words: str) -> str | None:
        """The switch."""
        match words.split():
            case ["WHO?"]:
                return "Selector of the attic"
            case ["TO", channel]:
                self.position = int(channel)
        return None


class Foreign:
    """The three servers, running."""

    def __init__(self) -> None:
        self.workshop = Workshop()
        self._servers = {}
        self.ports = {}
        for name in ("generator", "analyzer", "switch"):
            server = _server(self.workshop, name)
            self._servers[name] = server
            self.ports[name] = server.server_address[1]
            threading.Thread(target=server.serve_forever, daemon=True).start()

    def close(self) -> None:
        """End them."""
        for server in self._servers.values():
            server.shutdown()
            server.server_close()

    def bench(self) -> str:
        """The bench file."""
        return BENCH.format(**self.ports)


def _server(workshop: Workshop, name: str) -> Any:
    answer = getattr(workshop, name)
    lock = threading.Lock()

    class Handler(socketserver.StreamRequestHandler):
        disable_nagle_algorithm = True

        def handle(self) -> None:
            heard: list[str] = []
            workshop.connections[name].append(heard)
            for line in self.rfile:
                words = line.decode("latin-1").strip()
                with lock:
                    heard.append(words)
                    workshop.said[name].append(words)
                    reply = answer(words)
                if reply is not None:
                    self.wfile.write(reply.encode() + b"\n")

    class Server(socketserver.ThreadingTCPServer):
        daemon_threads = True
        allow_reuse_address = True

    return Server(("127.0.0.1", 0), Handler)
