"""Now: a trace that builds up, a request to a person, results; and a daemon that dies meanwhile."""

from __future__ import annotations

from collections.abc import Callable

from tests.browser.pages import PHONE, Watched
from tests.system.rigging import until

LONG = """
recipe: long
title: A long sweep
sweeps:
  main: {method: stepped, start: 1.6 GHz, stop: 1.8 GHz, points: 5001, level: -10 dBm,
    resolution_bandwidth: 10 kHz, detector: rms, dwell: 40 ms}
steps:
  - capture: {name: open, role: open, route: middle, position: open, sweep: main}
"""

BY_HAND = """
recipe: by-hand
title: One capture by hand
sweeps:
  main: {method: stepped, start: 1.6 GHz, stop: 1.8 GHz, points: 11, level: -10 dBm,
    resolution_bandwidth: 10 kHz, detector: rms, dwell: 1 ms}
steps:
  - hands: {ask: "Fit the open and close the lid.", caution: "Keep your hands off the cable."}
  - capture: {name: open, role: open, route: middle, position: open, sweep: main}
"""

DONE = "I have done it, my hands are out: RF may go on"


def points(watched: Watched) -> int:
    """How many points the drawing holds."""
    drawing = watched.page.locator("svg.sketch")
    return int(drawing.get_attribute("data-points") or 0) if drawing.count() else 0


def test_a_trace_builds_up_for_two_viewers_and_over_a_reload(
    open_page: Callable[..., Watched],
) -> None:
    one = open_page()
    one.see("Nothing runs and nothing waits.")
    job = one.daemon.queue_text(LONG)
    one.see("RF IS ON: 1.6 GHz to 1.8 GHz, -10 dBm")
    one.see("Step 1 of 1: ")
    one.see("left; ends about")
    until(lambda: points(one) > 8, "points to be drawn")
    before = points(one)
    until(lambda: points(one) > before, "more points to be drawn")

    other = open_page(size=PHONE, scheme="dark")
    until(lambda: points(other) > before, "the other viewer to see what was read before it came")
    one.page.reload()
    until(lambda: points(one) > before, "all points to be there again")
    again = points(one)
    until(lambda: points(one) > again and points(other) > again, "both to see more")
    one.require_accessible()
    other.require_accessible()

    one.press("Stop this job")
    one.press("Yes, stop it")
    one.daemon.until_state(job, "withdrawn")
    other.see("RF is off")
    one.see("RF is off")
    one.see("withdrawn", "main article")


def test_a_request_is_answered_with_one_big_button_that_names_rf(
    open_page: Callable[..., Watched],
) -> None:
    phone, desk = open_page(size=PHONE), open_page()
    job = desk.daemon.queue_text(BY_HAND)
    for page in (phone, desk):
        page.see("Fit the open and close the lid.")
        page.see("Keep your hands off the cable.")
        page.see("RF stays off until you answer. The bench is held for you until")
        page.see("RF is off")
    phone.require_accessible()
    box = phone.page.get_by_role("button", name=DONE).bounding_box()
    assert box is not None
    assert box["height"] >= 72
    assert box["width"] > 0.7 * PHONE[0]

    phone.press(DONE)
    desk.daemon.until_state(job, "done")
    for page in (phone, desk):
        page.page.get_by_role("button", name=DONE).wait_for(state="detached")
        page.see("One capture by hand", "main article")


def test_a_result_appears_in_words(daemon_page: Watched) -> None:
    daemon_page.daemon.queue("open-short-baseline")
    job = daemon_page.daemon.queue("return-loss", antenna="dipole r3")
    daemon_page.daemon.until_state(job, "done")
    results = daemon_page.daemon.http.get("/api/results", params={"job": job}).json()
    texts = [one["result"]["text"] for one in results if one["result"]["quantity"] == "return_loss"]
    daemon_page.see(texts[0], "main article")
    daemon_page.see("dipole r3: Return loss and resonance of one antenna")
    daemon_page.see("at least 10 dB at 1.7 GHz")
    daemon_page.require_accessible()


def test_while_the_daemon_is_away_nobody_claims_that_rf_is_off(daemon_page: Watched) -> None:
    daemon_page.see("RF is off")
    daemon_page.daemon.kill()
    daemon_page.see("No connection to benchd. Trying again.")
    daemon_page.see("Nobody knows whether RF is off: benchd does not answer.")
    assert daemon_page.page.get_by_text("RF is off", exact=True).count() == 0
    daemon_page.require_accessible()

    daemon_page.stage.restart()
    daemon_page.see("RF is off")
    daemon_page.daemon.queue_text(BY_HAND)
    daemon_page.see("Fit the open and close the lid.")
    daemon_page.press(DONE)
    daemon_page.see("Nothing runs and nothing waits.")
    assert daemon_page.page.locator("#line").inner_text() == ""
