"""A small bench and a good recipe that the tests spoil, each in one place."""

from __future__ import annotations

import pytest

from benchd.bench import Bench, parse_bench

BENCH = """\
bench: small
title: Bench of the recipe tests
instruments:
  generator: {kind: source, driver: scpi-source, address: "TCPIP::127.0.0.1::5001::SOCKET",
    frequency: [10 MHz, 6 GHz], level: [-60 dBm, 15 dBm], settle: 2 ms}
  analyzer: {kind: analyzer, driver: scpi-analyzer, address: "TCPIP::127.0.0.1::5002::SOCKET",
    frequency: [9 kHz, 3 GHz], resolution_bandwidth: [10 Hz, 3 MHz], largest_input: 20 dBm,
    tracking_level: [-30 dBm, 0 dBm]}
  selector: {kind: switch, driver: scpi-switch, address: "TCPIP::127.0.0.1::5003::SOCKET",
    largest_power: 30 dBm, loss: 0.2 dB, settle: 10 ms,
    banks: {port: {open: 201, short: 202, antenna: 204}, sense: {mount_a: 302, mount_b: 303}}}
fixtures:
  lead: {kind: cable, loss: {1 GHz: 0.4 dB, 3 GHz: 0.8 dB}, largest_power: 37 dBm}
  coupler: {kind: coupler, loss: 0.3 dB, coupling: 20 dB, directivity: 35 dB, largest_power: 10 dBm}
box: {inside: [600 mm, 400 mm, 400 mm], range_length: 400 mm}
antennas:
  reference dipole: {design_frequency: 1.7 GHz, largest_dimension: 83 mm,
    reference: {gain: {1.5 GHz: 2.1 dBi, 1.9 GHz: 2.2 dBi}, gain_is: gain, uncertainty: 0.25 dB}}
  dipole r3: {design_frequency: 1.7 GHz, largest_dimension: 86 mm}
  yagi r2: {design_frequency: 1.7 GHz, largest_dimension: 140 mm}
routes:
  middle:
    kind: reflection
    source: generator
    out: [lead, coupler.through, selector.port]
    port: middle
    back: [coupler.coupled]
    analyzer: analyzer
    positions:
      open: {selector: {port: open}}
      short: {selector: {port: short}}
      antenna: {selector: {port: antenna}}
  range:
    kind: transmission
    source: generator
    out: [lead]
    port: near_end
    far_port: far_end
    back: [selector.sense]
    analyzer: analyzer
    positions: {mount_a: {selector: {sense: mount_a}}, mount_b: {selector: {sense: mount_b}}}
  bare:
    kind: reflection
    source: generator
    out: [lead, coupler.through]
    port: bare
    back: [coupler.coupled]
    analyzer: analyzer
  own:
    kind: transmission
    source: analyzer
    out: [lead]
    port: near_end
    far_port: far_end
    back: []
    analyzer: analyzer
"""

RECIPE = """\
recipe: both
title: Return loss and gain
parameters:
  antenna: {kind: antenna, default: yagi r2}
  centre: {kind: frequency, default: 1.7 GHz, least: 400 MHz, most: 6 GHz}
  points: {kind: integer, default: 81, least: 11, most: 10001}
  shape: {kind: choice, choices: [rms, peak], default: rms}
on_interrupt: resume
sweeps:
  main:
    centre: $centre
    span: 200 MHz
    points: $points
    level: -10 dBm
    resolution_bandwidth: 10 kHz
    detector: $shape
    dwell: 2 ms
steps:
  - repeat:
      over: {standard: [open, short]}
      steps:
        - capture: {role: $standard, route: middle, position: $standard, sweep: main}
  - hands: {ask: Fit the $antenna and close the lid.}
  - wait: {for: 10 s}
  - capture: {name: seen, role: test, route: middle, position: antenna, antenna: $antenna,
      sweep: main}
  - capture: {name: ref, role: reference, route: range, position: mount_a,
      antenna: reference dipole, sweep: main}
  - capture: {name: far, role: test, route: range, position: mount_b, antenna: $antenna,
      sweep: main}
  - reduce: {kind: reflection, test: seen, baseline: {open: open, short: newest, max_age: 12 h},
      at: [$centre]}
  - reduce: {kind: gain, test: far, reference: ref, at: 1.7 GHz, band: [1.65 GHz, 1.75 GHz]}
  - accept:
      - {quantity: return_loss, at: $centre, least: 10 dB}
      - {quantity: realised_gain, least: 8 dBi}
"""


@pytest.fixture(scope="session")
def bench() -> Bench:
    """A bench with a switch, an analyzer that can track itself, and a route without positions."""
    return parse_bench(BENCH, file="small.yaml")


@pytest.fixture
def recipe_text() -> str:
    """A recipe that uses every kind of step and resolves on `bench`."""
    return RECIPE
