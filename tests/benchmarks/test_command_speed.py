"""What a command costs before and beside what it is asked to do.

Every `--help`, and `benchd jobs` against a daemon with a hundred jobs, take less than 0.35 s of
processor time on two cores of a small server. What is asserted is the ratio to an interpreter
that imports the two libraries that such a command is built on.
"""

from __future__ import annotations

from pathlib import Path

from benchd.cli.app import COMMANDS
from benchd.store import Store
from tests.benchmarks import cpu
from tests.benchmarks.conftest import Told
from tests.store import examples
from tests.system.rigging import Daemon, Simulator, ending

JOBS = 100
AIM_S = 0.35
MOST_RATIO = 1.0
MOST_RATIO_OF_JOBS = 2.2


def test_every_help_costs_less_than_the_libraries_of_a_command(told: Told) -> None:
    libraries_s = cpu.of_python("import typer, httpx")
    found = {
        name: cpu.of_benchd([*name.split(), "--help"])
        for name in ("", *(entry.name for entry in COMMANDS))
    }
    slowest = max(found, key=lambda name: found[name])
    told(
        f"every --help, {len(found)} of them",
        f"{min(found.values()):.3f} to {found[slowest]:.3f} s of CPU ({slowest}), typer and httpx "
        f"alone {libraries_s:.3f} s, ratio {found[slowest] / libraries_s:.2f}",
        f"{AIM_S} s, ratio below {MOST_RATIO:g}",
    )
    assert found[slowest] < MOST_RATIO * libraries_s


def test_listing_jobs_costs_hardly_more_than_the_libraries(tmp_path: Path, told: Told) -> None:
    data = tmp_path / "data"
    data.mkdir()
    with Store.open(data / "benchd.sqlite") as store:
        for _ in range(JOBS):
            store.order_withdrawal(store.add_job(examples.worksheet()).id)
    simulator = Simulator(tmp_path)
    daemon = Daemon(tmp_path, simulator, "none")
    with ending(daemon, simulator):
        libraries_s = cpu.of_python("import typer, httpx")
        jobs_s = cpu.of_benchd(["jobs", "--daemon", daemon.said["http"]])
        daemon.stop()
    told(
        f"benchd jobs, {JOBS} jobs",
        f"{jobs_s:.3f} s of CPU, typer and httpx alone {libraries_s:.3f} s, ratio "
        f"{jobs_s / libraries_s:.2f}",
        f"{AIM_S} s, ratio below {MOST_RATIO_OF_JOBS:g}",
    )
    assert jobs_s < MOST_RATIO_OF_JOBS * libraries_s
