"""How soon `benchd rf-off` has written OFF, against what starting Python alone takes.

Only the ratio is asserted, since absolute speed belongs to the machine. The aim is 0.5 s from the
start of the process to the written command on a quiet machine.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

from tests.benchmarks.conftest import Told
from tests.rfoff.sources import fake_source, on_record

ROUNDS = 7
MOST_RATIO = 10.0


def test_off_is_written_soon_after_the_start(tmp_path: Path, told: Told) -> None:
    bare: list[float] = []
    written: list[float] = []
    for number in range(ROUNDS):
        started = time.monotonic()
        subprocess.run([sys.executable, "-c", "pass"], check=True)
        bare.append(time.monotonic() - started)
        with fake_source() as (source, server):
            folder = tmp_path / str(number)
            on_record(folder, tmp_path / "bench.yaml", server.address)
            started = time.monotonic()
            subprocess.run(
                [sys.executable, "-m", "benchd", "rf-off", f"--data={folder}"],
                check=False, stdout=subprocess.DEVNULL,
            )  # fmt: skip
            assert source.off_at is not None
            written.append(source.off_at - started)
    ratio = statistics.median(written) / statistics.median(bare)
    told(
        "benchd rf-off: start of the process to OFF written",
        f"{statistics.median(written):.3f} s, Python alone {statistics.median(bare):.3f} s, "
        f"ratio {ratio:.1f}",
        f"0.5 s, ratio below {MOST_RATIO:.0f}",
    )
    assert ratio < MOST_RATIO
