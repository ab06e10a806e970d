"""A daemon that others can reach: its token is entered once, kept, and never in an address."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from tests.browser.pages import Stage, Watched, start_stage

TOKEN = "a-token-of-the-workshop"


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    folder = tmp_path_factory.mktemp("guarded")
    file = folder / "token"
    file.write_text(TOKEN)
    found = start_stage(folder, options=("--token-file", str(file)))
    try:
        yield found
    finally:
        found.end()


def test_the_token_is_entered_once_and_kept(open_page: Callable[..., Watched]) -> None:
    watched = open_page()
    page = watched.page
    field = page.get_by_label("Token", exact=True)
    field.wait_for()
    watched.require_accessible()
    watched.see("Nobody knows whether RF is off: this page has to be given the token first.")

    field.fill("not it at all")
    page.keyboard.press("Enter")
    watched.see("A token has no spaces")
    field.fill("wrong-token-of-the-shop")
    page.keyboard.press("Enter")
    watched.see("benchd does not take that token")

    addresses: list[str] = []
    page.on("request", lambda request: addresses.append(request.url))
    page.get_by_label("Token", exact=True).fill(TOKEN)
    page.keyboard.press("Enter")
    watched.see("RF is off")
    page.locator("main h1").wait_for()

    page.reload()
    watched.see("RF is off")
    assert page.locator("dialog").count() == 0
    assert addresses, "the page has asked for something"
    assert not any(TOKEN in address for address in addresses)
    assert page.evaluate("document.cookie") == ""
