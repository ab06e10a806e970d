"""What holds for every test: generated examples, and programs that a computer may lack.

Generated examples are the same in every run, so that a verdict is the code's and not chance's.
`BENCHD_SEARCH=30 make test` looks for new ones instead, thirty times as many. How long an example
takes decides nothing: the machine may be busy.

A test that needs a program which `tests.provisions` knows says so, by `@pytest.mark.needs(...)` or
by a fixture. Where the program is missing the test is left out, and the end of the run says so in
one line that cannot be overlooked. This is the only place where tests are left out.
"""

from __future__ import annotations

import gc
import itertools
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from tests import provisions
from tests.generated import SEARCH

settings.register_profile(
    "benchd",
    derandomize=SEARCH == 0,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("benchd")

FIXTURES = {
    "mosquitto": ("mosquitto",),
    "durable": ("mosquitto",),
    "certificates": ("openssl",),
    "chromium": ("chromium",),
    "sample_broker": ("mosquitto", "mosquitto_passwd", "openssl"),
}
"""What a test needs that uses a fixture of this name, directly or through another."""

# Records of sources of one test are no business of another, least of all of the user's own bench.
_STATES = tempfile.TemporaryDirectory(prefix="benchd-states-")
_NUMBERS = itertools.count()
os.environ["BENCHD_STATE"] = str(Path(_STATES.name) / "shared")
os.environ["XDG_DATA_HOME"] = str(Path(_STATES.name) / "shared" / "share")

# Tests start hundreds of processes, and each would compile all of benchd anew at its start.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


@pytest.fixture(autouse=True)
def _state_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    """A state folder for each test, and a data folder where it names none; made by whoever writes
    there. The user's own daemon may run beside the tests."""
    own = Path(_STATES.name) / str(next(_NUMBERS))
    monkeypatch.setenv("BENCHD_STATE", str(own))
    monkeypatch.setenv("XDG_DATA_HOME", str(own / "share"))


_LEFT_OUT = pytest.StashKey[dict[str, list[str]]]()


def pytest_configure(config: pytest.Config) -> None:
    """With `CI=true` everything must be there."""
    config.stash[_LEFT_OUT] = {}
    if provisions.is_ci() and (lacking := provisions.missing()):
        raise pytest.UsageError(
            f"CI: {', '.join(lacking)} must be there: {provisions.how_to_get(lacking)}"
        )


def needed(item: pytest.Item) -> set[str]:
    """Programs that a test says it needs."""
    by_mark = {name for mark in item.iter_markers("needs") for name in mark.args}
    fixtures = getattr(item, "fixturenames", ())
    return by_mark.union(*(FIXTURES.get(name, ()) for name in fixtures))


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what cannot run here, and remember it."""
    lacking = set(provisions.missing())
    left_out = {item.nodeid: sorted(needed(item) & lacking) for item in items}
    left_out = {node: names for node, names in left_out.items() if names}
    if left_out:
        config.hook.pytest_deselected(items=[item for item in items if item.nodeid in left_out])
        items[:] = [item for item in items if item.nodeid not in left_out]
        config.stash[_LEFT_OUT].update(left_out)
    # Whole daemons first: two workers then end together, and not one of them long after the other.
    items.sort(key=lambda item: not item.nodeid.startswith("tests/system/"))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """A test may start only programs that it says it needs."""
    provisions.declare(needed(item))
    try:
        return (yield)
    finally:
        provisions.declare(None)


def pytest_collection_finish() -> None:
    """What was loaded by now stays to the end: looking for garbage in it takes time from tests."""
    gc.freeze()


def pytest_sessionfinish(session: pytest.Session) -> None:
    """A worker tells the process that started it; leaving everything out is no failure."""
    left_out = session.config.stash[_LEFT_OUT]
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["left_out"] = left_out
    elif left_out and session.exitstatus == pytest.ExitCode.NO_TESTS_COLLECTED:
        session.exitstatus = pytest.ExitCode.OK


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any, error: object) -> None:
    """What a worker has left out; each of them looks at every test."""
    node.config.stash[_LEFT_OUT].update(getattr(node, "workeroutput", {}).get("left_out", {}))


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    """The one loud line."""
    left_out = config.stash[_LEFT_OUT]
    if left_out:
        lacking = {name for names in left_out.values() for name in names}
        files = sorted({node.partition("::")[0] for node in left_out})
        terminalreporter.write_line(
            f"LEFT OUT: {len(left_out)} tests that need {', '.join(sorted(lacking))}, which is "
            f"missing here, in {', '.join(files)}. To run them: {provisions.how_to_get(lacking)}",
            red=True,
            bold=True,
        )
