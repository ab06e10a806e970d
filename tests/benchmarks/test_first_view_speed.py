"""How long the page's first view takes on a small single-board computer.

Chromium itself slows its processor down sixfold (DevTools protocol,
Emulation.setCPUThrottlingRate), which is about what such a computer is behind a desk's (from
memory). The daemon cannot be slowed down so: its processor time for the view counts six times.
The time is by the clock, so the quickest of several rounds counts.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest
from playwright.sync_api import sync_playwright

from tests.benchmarks.conftest import Told
from tests.provisions import program
from tests.system.rigging import Daemon, Simulator, ending

SLOWER = 6.0
LIMIT_S = 2.0
ROUNDS = 5
MOST_S = 60.0


@pytest.mark.needs("chromium")
def test_the_first_view_stands_within_two_seconds_on_a_slow_computer(
    tmp_path: Path, told: Told
) -> None:
    simulator = Simulator(tmp_path)
    with ending(simulator):
        daemon = Daemon(tmp_path, simulator, "none")
        with ending(daemon):
            rounds = [_first_view_s(daemon) for _ in range(ROUNDS)]
    browser_s, daemon_s = min(rounds, key=sum)
    whole_s = browser_s + daemon_s * (SLOWER - 1.0)
    told(
        "first view of the page, slowed sixfold",
        f"{whole_s:.2f} s ({browser_s:.2f} s in all, {daemon_s * 1e3:.0f} ms of the daemon in it)",
        f"< {LIMIT_S:g} s",
    )
    assert whole_s < LIMIT_S


def _first_view_s(daemon: Daemon) -> tuple[float, float]:
    """Time from the address until RF and what runs are told, s, and the daemon's part, s."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=program("chromium"), args=["--no-sandbox"]
        )
        try:
            page = browser.new_context().new_page()
            page.set_default_timeout(MOST_S * 1e3)
            session = page.context.new_cdp_session(page)
            session.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
            before_s = _cpu_s(daemon)
            begun = time.monotonic()
            page.goto(daemon.said["http"], wait_until="commit")
            page.get_by_text("RF is off").first.wait_for()
            page.get_by_text("Nothing runs").first.wait_for()
            return time.monotonic() - begun, _cpu_s(daemon) - before_s
        finally:
            browser.close()


def _cpu_s(daemon: Daemon) -> float:
    """Processor time of the daemon so far, s."""
    fields = Path(f"/proc/{daemon.popen.pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
