"""A page under watch, and the daemon that it shows."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, ConsoleMessage, Locator, Request

from tests.patience import PATIENCE_S
from tests.system.rigging import BENCH, Daemon, Simulator, ending

FLAGS = [
    "--no-sandbox",  # Chromium's own sandbox does not start for root
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

DESKTOP = (1280, 800)
PHONE = (360, 740)
WIDE = (2560, 1300)
SMALLEST_TARGET_PX = 44


@dataclass
class Stage:
    """A daemon with its virtual bench."""

    folder: Path
    simulator: Simulator
    daemon: Daemon
    bench: Path = BENCH
    options: tuple[str, ...] = ()

    @property
    def url(self) -> str:
        """The page's address."""
        return str(self.daemon.said["http"])

    def restart(self) -> None:
        """Start the daemon anew, with its data and at its address."""
        address = urlsplit(self.url).netloc
        self.daemon.http.close()
        options = (*self.options, "--http", address)
        self.daemon = Daemon(self.folder, self.simulator, "none", bench=self.bench, options=options)

    def end(self) -> None:
        """End both, whatever happened; the daemon gently where it still runs."""
        with ending(self.daemon, self.simulator):
            if self.daemon.popen.poll() is None:
                self.daemon.stop()


def start_stage(
    folder: Path, *, bench: Path = BENCH, world: str = "workshop", options: tuple[str, ...] = ()
) -> Stage:
    """Start a virtual bench and a daemon without a broker."""
    simulator = Simulator(folder, world)
    daemon = Daemon(folder, simulator, "none", bench=bench, options=options)
    return Stage(folder, simulator, daemon, bench, options)


class Watched:
    """One page, and all that the browser complained about.

    page: the page of playwright. Under the page's policy `wait_for_function` does not work: wait
    for locators, or ask again with `evaluate`.
    """

    def __init__(
        self,
        browser: Browser,
        stage: Stage,
        *,
        size: tuple[int, int] = DESKTOP,
        scheme: Any = "light",
    ) -> None:
        """scheme: "light" or "dark", as the person's computer is set."""
        self.stage = stage
        self.complaints: list[str] = []
        self._foreign: list[str] = []
        self._context = browser.new_context(
            viewport={"width": size[0], "height": size[1]},
            has_touch=size == PHONE,
            is_mobile=size == PHONE,
            color_scheme=scheme,
            reduced_motion="reduce",
        )
        self._context.set_default_timeout(PATIENCE_S * 1000)
        self.page = self._context.new_page()
        self.page.on("console", self._console)
        self.page.on("pageerror", lambda error: self.complaints.append(f"error: {error}"))
        self.page.on("request", self._request)

    @property
    def daemon(self) -> Daemon:
        """The daemon that the page shows."""
        return self.stage.daemon

    def go(self, address: str) -> None:
        """Open a view, such as `#/queue`, and wait until it stands, or asks for the token."""
        self.page.goto(f"{self.stage.url}/{address}")
        self.page.locator("main h1, dialog h2").first.wait_for()

    def see(self, text: str, within: str = "body") -> Locator:
        """Wait until a text is to be seen; the element that holds it."""
        found = self.page.locator(within).get_by_text(text).first
        found.wait_for()
        return found

    def press(self, name: str) -> None:
        """Press the button of that name."""
        self.page.get_by_role("button", name=name).first.click()

    def close(self) -> None:
        """Close the page."""
        self._context.close()

    def require_no_complaint(self) -> None:
        """No error on the console, and nothing was asked of another computer."""
        assert self.complaints == []
        assert self._foreign == []

    def require_accessible(self) -> None:
        """axe-core finds nothing, in light and in dark; buttons are large; nothing sticks out."""
        for scheme in ("light", "dark"):
            self.page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            found = Axe().run(self.page, options={"resultTypes": ["violations"]})
            said = [
                f"{one['id']}: {one['help']}: {node['target']}: {node.get('failureSummary')}"
                for one in found.response["violations"]
                for node in one["nodes"]
            ]
            assert said == [], scheme
        assert self.page.evaluate(_STICKS_OUT) == []
        assert self.page.evaluate(_TOO_SMALL, SMALLEST_TARGET_PX) == []

    def _console(self, message: ConsoleMessage) -> None:
        if message.type != "error":
            return
        # An order that the daemon refuses, or a daemon that is away, is a plain answer to the page;
        # Chromium puts it on the console all the same.
        source = urlsplit(str(message.location.get("url", "")))
        if message.text.startswith("Failed to load resource") and source.path.startswith("/api/"):
            return
        self.complaints.append(f"{message.text} ({message.location})")

    def _request(self, request: Request) -> None:
        host = urlsplit(request.url).netloc
        if host not in ("", urlsplit(self.stage.url).netloc):
            self._foreign.append(request.url)


_STICKS_OUT = """() => {
  const wide = document.documentElement.clientWidth;
  if (document.documentElement.scrollWidth <= wide) return [];
  return [...document.querySelectorAll("body *")]
    .filter((one) => one.getBoundingClientRect().right > wide + 1)
    .map((one) => one.outerHTML.slice(0, 120));
}"""

_TOO_SMALL = """(least) => [...document.querySelectorAll(
    "button, select, summary, nav a, a.button, input:not([type=checkbox]):not([type=radio])")]
  .filter((one) => one.checkVisibility() && !one.closest(".modebar"))
  .filter((one) => one.getBoundingClientRect().height < least - 0.5)
  .map((one) => one.outerHTML.slice(0, 120))"""
