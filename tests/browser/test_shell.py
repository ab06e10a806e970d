"""The page's frame: views, RF above all, the token, and what it does while the daemon is away."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import httpx

from tests.browser.pages import PHONE, WIDE, Watched


def test_the_page_opens_on_now_and_says_that_rf_is_off(daemon_page: Watched) -> None:
    page = daemon_page.page
    assert page.title() == "Now · benchd"
    daemon_page.see("RF is off")
    assert "generator said so when asked" in daemon_page.see("verified:").inner_text()
    link = page.locator("nav a[aria-current=page]")
    assert link.inner_text() == "Now"


def test_the_frame_is_clean_at_every_size(open_page: Callable[..., Watched]) -> None:
    for size in (PHONE, WIDE):
        page = open_page(size=size)
        page.see("RF is off")
        page.require_accessible()


def test_an_address_that_leads_nowhere_says_so(open_page: Callable[..., Watched]) -> None:
    page = open_page("#/nowhere")
    page.see("There is no such view")
    page.page.get_by_role("link", name="Go to Now").click()
    page.page.get_by_role("heading", name="Now", level=1).wait_for()


def test_the_keyboard_reaches_the_content_at_once(daemon_page: Watched) -> None:
    page = daemon_page.page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"


def test_what_a_browser_loads_first_is_small(open_page: Callable[..., Watched]) -> None:
    page = open_page()
    sizes: list[dict[str, Any]] = page.page.evaluate(
        "performance.getEntriesByType('resource').concat(performance.getEntriesByType('navigation'))"
        ".map((one) => ({name: one.name, bytes: one.transferSize}))"
    )
    assert any(one["name"].endswith("/page/app.js") for one in sizes)
    assert not any(one["name"].endswith("plotly.js") for one in sizes)
    assert sum(one["bytes"] for one in sizes) < 200_000


def test_no_request_carries_more_than_the_address(daemon_page: Watched) -> None:
    answer = httpx.get(daemon_page.stage.url, headers={"accept": "text/html"}, trust_env=False)
    assert "script-src 'self';" in answer.headers["content-security-policy"]
