"""A good bench file that the tests spoil, each in one place."""

from __future__ import annotations

import pytest

BENCH = """\
bench: small
title: Bench of the tests
timezone: UTC
instruments:
  generator:
    kind: source
    driver: scpi-source
    address: TCPIP::127.0.0.1::5001::SOCKET
    frequency: [10 MHz, 6 GHz]
    level: [-60 dBm, 15 dBm]
  analyzer:
    kind: analyzer
    driver: scpi-analyzer
    address: TCPIP::127.0.0.1::5002::SOCKET
    frequency: [9 kHz, 6 GHz]
    largest_input: 20 dBm
  selector:
    kind: switch
    driver: scpi-switch
    address: TCPIP::127.0.0.1::5003::SOCKET
    largest_power: 30 dBm
    loss: 0.5 dB
    banks:
      port: {open: 201, short: 202}
      sense: {mount_a: 302, mount_b: 303}
  contact: {kind: lid, driver: scpi-lid, address: "TCPIP::127.0.0.1::5004::SOCKET"}
fixtures:
  lead: {kind: cable, loss: {1 GHz: 0.4 dB, 4 GHz: 0.8 dB}, largest_power: 37 dBm}
  tail: {kind: cable, loss: 0.3 dB}
  coupler:
    kind: coupler
    loss: 1 dB
    coupling: 20 dB
    directivity: 35 dB
    largest_power: 30 dBm
  booster: {kind: amplifier, gain: {1 GHz: 20 dB, 4 GHz: 17 dB}, largest_power: 5 dBm}
box:
  inside: [600 mm, 400 mm, 400 mm]
  lid: {instrument: contact}
antennas:
  range dipole: {design_frequency: 1.7 GHz, largest_dimension: 80 mm}
routes:
  middle:
    kind: reflection
    source: generator
    out: [lead, coupler.through, selector.port, tail]
    port: middle
    back: [coupler.coupled]
    analyzer: analyzer
    positions:
      open: {selector: {port: open}}
      short: {selector: {port: short}}
  range:
    kind: transmission
    source: generator
    out: [lead]
    port: near_end
    range_antenna: range dipole
    far_port: far_end
    back: [booster]
    analyzer: analyzer
    positions:
      mount_a: {selector: {sense: mount_a}}
"""


@pytest.fixture
def bench_text() -> str:
    """A bench that holds together."""
    return BENCH
