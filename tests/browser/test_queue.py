"""Queue: a form that says what is wrong where it is wrong, a worksheet first, another order."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.browser.pages import PHONE, WIDE, Stage, Watched
from tests.system.rigging import until


@pytest.fixture
def night(stage: Stage) -> Iterator[list[str]]:
    """Three jobs that wait for a window in an hour; the last would miss its own."""
    opens = datetime.now(UTC) + timedelta(hours=1)
    given: list[dict[str, Any]] = [
        {"recipe": "open-short-baseline"},
        {"recipe": "return-loss", "arguments": {"antenna": "dipole r3"}},
        {"recipe": "open-short-baseline", "finish_by": opens + timedelta(seconds=4)},
    ]
    ids = []
    for one in given:
        body = {**one, "not_before": opens.isoformat()}
        if "finish_by" in one:
            body["finish_by"] = one["finish_by"].isoformat()
        answer = stage.daemon.http.post("/api/jobs", json=body)
        assert answer.status_code == 201, answer.text
        ids.append(answer.json()["id"])
    yield ids
    for one in ids:
        stage.daemon.http.post(f"/api/jobs/{one}/withdraw")


def order(watched: Watched) -> list[str]:
    """The jobs as the page lists them."""
    found: list[str] = watched.page.evaluate(
        "() => [...document.querySelectorAll('.entry')].map((one) => one.dataset.job)"
    )
    return found


def running_order(stage: Stage) -> list[str]:
    """The jobs as the queue would take them."""
    return [one["id"] for one in stage.daemon.http.get("/api/queue").json()["jobs"]]


def test_a_recipe_is_queued_by_its_form_with_its_worksheet_first(
    open_page: Callable[..., Watched],
) -> None:
    watched = open_page("#/queue?recipe=open-short-baseline")
    page, daemon = watched.page, watched.daemon
    later = (datetime.now(UTC) + timedelta(hours=2)).strftime("%H:%M")
    page.get_by_text("Other settings").click()
    page.get_by_label("Points").fill("2")
    page.get_by_label("Centre").fill("1.7 parsec")
    watched.press("Show what it would do")
    watched.see('"parsec" is not a unit of frequency', "#field-centre-fault")
    assert page.evaluate("document.activeElement.getAttribute('aria-invalid')") == "true"
    watched.require_accessible()

    page.get_by_label("Points").fill("51")
    page.get_by_label("Centre").fill("1690 MHz")
    tomorrow = (datetime.now(UTC) + timedelta(days=1)).strftime("%Y-%m-%d")
    page.get_by_label("Not before").fill("12:34")
    page.get_by_label("Day of the start").select_option(tomorrow)
    watched.press("Show what it would do")
    watched.see("12:34", ".view-queue")
    page.get_by_label("Day of the start").select_option("")
    page.get_by_label("Not before").fill(later)
    watched.press("Show what it would do")
    watched.see("It would run from")
    watched.see("Read this first")
    watched.see("51 points, RF on, −10 dBm", ".worksheet")
    assert daemon.http.get("/api/queue").json()["jobs"] == [], "nothing was queued so far"
    watched.require_accessible()

    watched.press("Queue it")
    watched.see("Queued: ")
    (one,) = until(lambda: daemon.http.get("/api/queue").json()["jobs"], "the job to wait")
    assert one["parameters"]["centre"].startswith("1.69")
    assert one["job"]["not_before"][11:16] == later
    until(lambda: order(watched) == [one["id"]], "the page to list it")

    watched.press("Withdraw: ")
    watched.press("Keep it")
    watched.press("Withdraw: ")
    watched.press("Yes, withdraw it")
    watched.see("Nothing runs and nothing waits.")
    assert daemon.job(one["id"])["state"] == "withdrawn"


def test_a_job_whose_stored_captures_are_missing_is_refused_with_what_to_do(
    open_page: Callable[..., Watched],
) -> None:
    watched = open_page("#/queue?recipe=return-loss&antenna=dipole r3")
    assert watched.page.get_by_label("Antenna", exact=True).input_value() == "dipole r3"
    watched.press("Show what it would do")
    watched.see("stored captures are missing that this job needs")
    watched.see("Queue what takes them first, such as open-short-baseline")


def test_jobs_are_put_in_another_order_and_the_night_is_rehearsed(
    open_page: Callable[..., Watched], stage: Stage, night: list[str]
) -> None:
    first, second, third = night
    watched = open_page("#/queue")
    until(lambda: order(watched) == night, "the page to list all three")
    watched.see("one job misses its window.")
    watched.see("Would miss its window: it needs about")

    buttons = watched.page.get_by_role("button", name="Run before all others")
    buttons.nth(2).focus()
    watched.page.keyboard.press("Enter")
    until(lambda: order(watched) == [third, first, second], "the third to stand first")
    assert running_order(stage) == [third, first, second]
    until(lambda: "misses" not in watched.page.locator(".lead").inner_text(), "no job to be missed")

    watched.page.get_by_role("button", name="Run one place later").first.click()
    until(lambda: order(watched) == [first, third, second], "the first two to change places")
    watched.page.get_by_role("button", name="Run one place earlier").nth(2).click()
    until(lambda: order(watched) == [first, second, third], "the last two to change places")
    assert running_order(stage) == [first, second, third]


def test_the_queue_is_clean_at_every_size(
    open_page: Callable[..., Watched], night: list[str]
) -> None:
    for size in (PHONE, WIDE):
        watched = open_page("#/queue", size=size)
        until(lambda watched=watched: order(watched) == night, "the page to list all three")
        watched.require_accessible()


@pytest.mark.usefixtures("night")
def test_a_worksheet_says_how_many_points_a_sweep_that_refines_may_read(
    open_page: Callable[..., Watched],
) -> None:
    watched = open_page("#/queue?recipe=return-loss-refined")
    watched.page.get_by_label("Antenna", exact=True).select_option("dipole r3")
    watched.press("Show what it would do")
    watched.see("at most 51 of 201 points, RF on, −10 dBm", ".worksheet")
