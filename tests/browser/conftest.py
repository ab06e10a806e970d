"""The page in a real browser: Debian's Chromium without a screen, a real daemon, a virtual bench.

A test takes `daemon_page` (or `phone_page`), a page that is open on the daemon of its module. What
a browser complains about fails the test: an error on its console, or a request to another computer.

Chromium is started once for each module, and not once for a whole run: while it is under control,
no other event loop can run in the same thread, and tests of other modules need theirs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser, sync_playwright

from tests.browser.pages import FLAGS, PHONE, Stage, Watched, start_stage
from tests.patience import PATIENCE_S
from tests.provisions import program


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """A browser for all tests of a module."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=program("chromium"), args=FLAGS, timeout=PATIENCE_S * 1000
        )
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    """A daemon with its virtual bench, shared by the tests of a module."""
    found = start_stage(tmp_path_factory.mktemp("stage"))
    try:
        yield found
    finally:
        found.end()


@pytest.fixture
def open_page(chromium: Browser, stage: Stage) -> Iterator[Callable[..., Watched]]:
    """Opens pages on the module's daemon: `open_page("#/queue", size=PHONE, scheme="dark")`.

    Each is a browser of its own as far as the page can tell: it shares no storage with the others.
    All are looked at for errors at the end of the test.
    """
    opened: list[Watched] = []

    def open_one(address: str = "", **how: object) -> Watched:
        page = Watched(chromium, stage, **how)  # type: ignore[arg-type]
        opened.append(page)
        page.go(address)
        return page

    yield open_one
    for page in opened:
        page.close()
    for page in opened:
        page.require_no_complaint()


@pytest.fixture
def daemon_page(open_page: Callable[..., Watched]) -> Watched:
    """The page at the size of a desktop screen."""
    return open_page()


@pytest.fixture
def phone_page(open_page: Callable[..., Watched]) -> Watched:
    """The page on a phone."""
    return open_page(size=PHONE)
