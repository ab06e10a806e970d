"""A bench of one's own at 868 MHz, virtual as a whole: the world, and the bench file for it."""

from __future__ import annotations

import re
from pathlib import Path

import simulators.worlds
from tests.system.rigging import BENCH

WORLD = Path(next(iter(simulators.worlds.__path__))) / "workshop.yaml"
ARMS_MM = {"quarter r1": 84.0, "quarter r2": 82.2, "quarter r3": 81.4}
"""The arms of one dipole after each cut. A thin one for 868 MHz has some 81 mm."""


def world_file(folder: Path) -> Path:
    """The shipped workshop with antennas for 868 MHz in it."""
    rows = [
        "  - name: house dipole\n    design_frequency_hz: 868.0e6\n"
        "    elements: [{length_m: 0.160, diameter_m: 0.002}]",
        *(
            f"  - name: {name}\n    design_frequency_hz: 868.0e6\n"
            f"    elements: [{{length_m: {2e-3 * arm:.4f}, diameter_m: 0.001}}]"
            for name, arm in ARMS_MM.items()
        ),
    ]
    places = "".join(
        f"  {place}: {name}\n"
        for place, name in (
            ("near_end", "house dipole"), ("mount_a", "house dipole"), ("middle", "quarter r1"),
        )
    )  # fmt: skip
    text = WORLD.read_text()
    text = re.sub(r"(?s)\nantennas:\n.*?\nplaced:\n.*?\n\n", lambda _: (
        "\nantennas:\n" + "\n".join(rows) + f"\n\nplaced:\n{places}\n"
    ), text)  # fmt: skip
    made = folder / "world.yaml"
    made.write_text(text)
    return made


HOUSE_DIPOLE = """
antennas:
  house dipole:                       # stays at the near end
    design_frequency: 868 MHz
    largest_dimension: 160 mm
    type: dipole

routes:
"""


def bench_file(folder: Path, addresses: dict[str, str] | None = None) -> Path:
    """The shipped workshop with one antenna of its own; all others come from the register.

    addresses: instrument -> resource string to write into it.
    """
    text = BENCH.read_text().replace("bench: workshop", "bench: attic", 1)
    text = text.replace("timezone: UTC", "timezone: Europe/Vienna", 1)
    text = re.sub(r"(?s)\nantennas:\n.*?\nroutes:\n", lambda _: HOUSE_DIPOLE, text)
    text = text.replace("range_antenna: range dipole", "range_antenna: house dipole")
    text = re.sub(r"\n  (?:gain|path)_spread_of: [^\n]*", "", text)
    for name, address in (addresses or {}).items():
        text = re.sub(
            rf"(\n  {name}:\n(?:    [^\n]*\n)*?    address: )[^\n]*", rf"\g<1>{address}", text
        )
    made = folder / "bench.yaml"
    made.write_text(text)
    return made
