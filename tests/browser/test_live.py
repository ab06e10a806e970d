"""The live look in a browser: RF is on while the page is looked at, by the simulator's record."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import httpx
import pytest

from tests.browser.pages import PHONE, Stage, Watched
from tests.patience import PATIENCE_S
from tests.system.rigging import until

NOTICED_WITHIN_S = 12.0
"""A viewer that is gone without a word is missed after ten seconds; the rest is for a busy
machine."""


@pytest.fixture(scope="module", autouse=True)
def baselines(stage: Stage) -> None:
    job = stage.daemon.queue("open-short-baseline", antenna="dipole r3", points="41")
    stage.daemon.until_state(job, "done")


def rf_on(stage: Stage) -> bool:
    return bool(stage.simulator.do("state")["rf_on"])


def now_s(stage: Stage) -> float:
    return float(stage.simulator.do("record")["now_s"])


def off_after_s(stage: Stage, since_s: float) -> float:
    """How long after that moment the generator went off, by its own record."""

    def off() -> Any:
        record = stage.simulator.do("record", since_s=since_s)["record"]
        return [at for at, *rest in record if rest == ["generator", "rf", False]]

    return float(until(off, "RF to go off")[0]) - since_s


def look(page: Watched) -> None:
    """From the form to a picture that moves."""
    page.page.get_by_label("Antenna", exact=True).select_option("dipole r3")
    page.press("Show the worksheet")
    page.see("Mind before RF goes on")
    page.see("RF exposure: an antenna may radiate up to")
    page.see("reaches middle from 1.45 GHz to 1.95 GHz")
    assert not rf_on(page.stage)
    page.press("Switch RF on and look")
    page.see("RF IS ON")
    page.page.locator(".live-curve").wait_for()


@contextmanager
def another_viewer(stage: Stage) -> Iterator[None]:
    """Somebody else looks too, so that a browser that is being examined need not say "here"."""
    over = threading.Event()
    viewer = stage.daemon.http.post("/api/live/join").json()["viewer"]

    def ping() -> None:
        with httpx.Client(base_url=stage.url, trust_env=False, timeout=PATIENCE_S) as client:
            while not over.wait(0.5):
                client.post("/api/live/here", json={"viewer": viewer})
            client.delete("/api/live", params={"viewer": viewer})

    thread = threading.Thread(target=ping)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def test_a_look_from_its_worksheet_to_a_kept_sweep_and_off_when_the_view_is_left(
    open_page: Callable[..., Watched], stage: Stage
) -> None:
    page = open_page("#/live")
    look(page)
    page.see("sweeps differ by up to")
    page.press("Keep this one")
    kept = page.see("Kept as cap-", "main").inner_text().split()[-1].rstrip(".,")
    assert stage.daemon.http.get(f"/api/captures/{kept}").json()["antenna"] == "dipole r3"
    page.see("return loss at 1.7 GHz: ")
    since_s = now_s(stage)
    page.page.get_by_role("link", name="Now", exact=True).click()
    page.see("RF is off")
    assert off_after_s(stage, since_s) < NOTICED_WITHIN_S
    assert stage.daemon.http.get("/api/live").json()["ending"]["reason"] == "nobody-looks"


def test_on_a_phone_that_joins_and_is_closed_without_a_word(
    open_page: Callable[..., Watched], stage: Stage
) -> None:
    desk = open_page("#/live")
    look(desk)
    phone = open_page("#/live", size=PHONE)
    phone.press("Look too")
    phone.page.locator(".live-curve").wait_for()
    phone.see("2 look")
    with another_viewer(stage):
        phone.require_accessible()
        desk.press("Leave: RF off")
        desk.see("You look no more")
        assert rf_on(stage)
    since_s = now_s(stage)
    phone.page.evaluate("window.stop()")
    phone.page.goto("about:blank")
    assert off_after_s(stage, since_s) < NOTICED_WITHIN_S


def test_the_form_and_a_refusal_are_clean(open_page: Callable[..., Watched]) -> None:
    page = open_page("#/live", size=PHONE)
    page.require_accessible()
    page.page.get_by_text("More settings").click()
    page.page.get_by_label("Wanted frequency").fill("1.7")
    page.press("Show the worksheet")
    page.page.get_by_role("alert").get_by_text("centre").first.wait_for()
    page.page.get_by_label("Wanted frequency").fill("")
    page.press("Show the worksheet")
    page.see("Mind before RF goes on")
    page.require_accessible()


def test_a_page_that_is_hidden_looks_at_nothing(
    open_page: Callable[..., Watched], stage: Stage
) -> None:
    page = open_page("#/live")
    look(page)
    other = open_page("#/now")
    other.see("A live look is on")
    since_s = now_s(stage)
    page.page.evaluate("Object.defineProperty(document, 'visibilityState', {get: () => 'hidden'})")
    assert off_after_s(stage, since_s) < NOTICED_WITHIN_S
    page.see("nobody looks any more")
    other.see("Nothing runs")
