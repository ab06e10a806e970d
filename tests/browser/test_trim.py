"""A trim session in a browser, from the form to "stop", with a person who files."""

from __future__ import annotations

import re
from collections.abc import Callable

from tests.browser.pages import PHONE, Stage, Watched
from tests.system.rigging import until
from tests.system.test_trim import until_the_lid_is_seen

ANTENNA = "dipole r3"
LOOK = "Hands and tool are out: look now, RF comes on"


def rf_changes(stage: Stage) -> list[bool]:
    """How RF went on and off, by the simulator's own record."""
    entries = stage.simulator.do("record")["record"]
    return [is_on for _, _, what, is_on in entries if what == "rf"]


def asks_anew(stage: Stage, job: str, asked_until: str) -> bool:
    row = stage.daemon.job(job)
    return row["state"] == "needs-hands" and row["hands"]["until"] != asked_until


def looks_shown(page: Watched, count: int) -> None:
    page.page.locator("tbody tr").nth(count - 1).wait_for()
    page.page.get_by_role("button", name=LOOK).wait_for()


def correct_the_length(page: Watched, removed_mm: float) -> None:
    row = page.page.locator("tbody tr").first
    row.get_by_text(f"{10.0 * removed_mm:g} mm").wait_for()
    page.page.get_by_text("A length was typed in wrongly").click()
    page.press("Correct it")
    page.see("Give a length in mm, such as 0.4")
    page.page.get_by_label("Really taken off each arm, mm").fill(f"{removed_mm:g}")
    page.require_accessible()
    page.press("Correct it")
    row.get_by_text(f"{removed_mm:g} mm (typed before: {10.0 * removed_mm:g} mm)").wait_for()


def test_an_antenna_is_trimmed_from_the_first_look_to_stop(
    open_page: Callable[..., Watched], stage: Stage
) -> None:
    page = open_page("#/trim")
    antenna = page.page.get_by_label("Antenna", exact=True)
    antenna.wait_for()
    known = {one["name"]: one for one in page.daemon.http.get("/api/antennas").json()}
    assert any(one.get("reference") for one in known.values())
    assert not known[antenna.input_value()].get("reference")  # nobody files what gains rest on
    antenna.select_option(ANTENNA)
    page.page.get_by_text("More settings").click()
    page.page.get_by_label("Frequency to trim to").fill("1.74 parsec")
    page.press("Show the worksheet")
    page.see('"parsec" is not a unit of frequency')
    page.page.get_by_label("Frequency to trim to").fill("1.74 GHz")
    page.require_accessible()
    page.press("Show the worksheet")
    page.see("Mind before RF goes on")
    page.see("RF exposure: an antenna may radiate up to")
    page.see("No stored open and short fit.")
    page.require_accessible()
    assert rf_changes(stage) == []
    page.press("Begin")
    page.see("open and short are measured first")
    assert rf_changes(stage) == []
    page.press("I have done it, my hands are out: RF may go on")
    page.see("Look 1 of 20 at the dipole r3.")
    page.press(LOOK)
    looks_shown(page, 1)
    page.see("below", within="dl.facts")
    page.require_accessible()
    count = 1
    is_corrected = False
    while (words := page.page.locator(".trim-do").inner_text()).startswith("Take off"):
        found = re.search(r"[\d.]+", words)
        assert found is not None
        removed_mm = float(found[0])
        # While a person files, RF is off by the instrument's own record.
        assert rf_changes(stage)[-1] is False
        stage.simulator.do("trim", antenna=ANTENNA, by_m=removed_mm / 1e3)
        field = page.page.get_by_label("Taken off each arm since the last look, mm")
        if count == 1:
            field.fill("a bit")
            page.press(LOOK)
            page.see("Give a length in mm, such as 0.4")
        # Ten times as much is typed the first time, and corrected after the look.
        field.fill(f"{removed_mm if is_corrected else 10.0 * removed_mm:g}")
        before = len(rf_changes(stage))
        page.press(LOOK)
        count += 1
        looks_shown(page, count)
        assert len(rf_changes(stage)) == before + 2
        if not is_corrected:
            is_corrected = True
            correct_the_length(page, removed_mm)
        assert count < 12
    assert words == "Stop: take off nothing more"
    page.see("by this antenna's own looks")
    # The new dip is drawn over the earlier ones, each with its name.
    for number in range(1, count + 1):
        page.see(f"look {number}", within=".plot-names")
    page.press("Stop: the session is done")
    page.see("The session is done")
    page.see("Taken off each arm in all:")
    page.require_accessible()
    page.page.get_by_role("link", name="Now", exact=True).click()
    lines = page.page.get_by_role("list", name="Looks of the session").get_by_role("listitem")
    lines.nth(count - 1).wait_for()
    for number, line in enumerate(lines.all_inner_texts()[:count], start=1):
        assert re.match(rf"Look {number}: dip 1\.\d+ GHz, [\d.]+ (mm|um) left", line), line
    page.require_accessible()


def test_a_session_fits_a_phone_and_outlives_a_reload_and_a_restart(
    open_page: Callable[..., Watched], stage: Stage
) -> None:
    job = stage.daemon.http.post("/api/trim", json={"antenna": ANTENNA, "start": "lid"}).json()
    page = open_page(f"#/trim/{job['id']}", size=PHONE, scheme="dark")
    page.see("Your turn; RF is off")
    if page.page.get_by_role("button", name="I have done it").count():
        page.press("I have done it, my hands are out: RF may go on")
    page.see("Look 1 of 20")
    page.see("The look starts by itself 1 s after you have closed the lid.")
    page.press(LOOK)
    looks_shown(page, 1)
    page.page.get_by_label("Taken off each arm since the last look, mm").fill("0,2")
    page.press("Note it, I close the lid")
    page.page.get_by_text("Noted. Close the lid for the look.").wait_for()
    page.page.reload()
    looks_shown(page, 1)
    field = page.page.get_by_label("Taken off each arm since the last look, mm")
    assert field.input_value() == "0.2"
    page.require_accessible()
    asked_until = stage.daemon.job(job["id"])["hands"]["until"]
    stage.daemon.kill()
    stage.restart()
    until(lambda: asks_anew(stage, job["id"], asked_until), "the session to ask again")
    stage.simulator.do("lid", open=True)
    page.see("RF is off")
    until_the_lid_is_seen(stage.daemon)
    stage.simulator.do("lid", open=False)
    looks_shown(page, 2)
    assert page.page.locator("tbody tr").first.get_by_text("0.2 mm").count() == 1
    page.press("Give it up")
    page.see("The session is withdrawn")
