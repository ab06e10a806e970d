"""Pictures of every view, from a virtual bench with a past: `python -m tests.browser.pictures`.

Each view is drawn at the size of a phone, of a desktop screen and of a very wide one. A few of them
go into the documents, with fewer colours, so that they stay small. Look at them before they are
committed: no test can tell whether a page is pleasant to read.
"""

from __future__ import annotations

import argparse
import io
import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from tests.browser.pages import DESKTOP, FLAGS, PHONE, WIDE, Stage, Watched
from tests.browser.workshop import with_a_past
from tests.provisions import program
from tests.system.rigging import REPOSITORY, until

SIZES = {"phone": PHONE, "desktop": DESKTOP, "wide": WIDE}
IN_DOCUMENTS = REPOSITORY / "docs" / "pictures"
COLOURS = 96
POINTS = "201"

SLOW = """
recipe: slow
title: Return loss of one antenna, slowly
sweeps:
  main: {method: stepped, start: 1.45 GHz, stop: 1.95 GHz, points: 201, level: -10 dBm,
    resolution_bandwidth: 10 kHz, detector: rms, dwell: 8 s}
steps:
  - capture: {name: antenna, role: test, route: middle, position: antenna, antenna: dipole r4,
      sweep: main}
"""

BY_HAND = """
recipe: by-hand
title: One antenna by hand
sweeps:
  main: {method: stepped, start: 1.6 GHz, stop: 1.8 GHz, points: 11, level: -10 dBm,
    resolution_bandwidth: 10 kHz, detector: rms, dwell: 1 ms}
steps:
  - hands: {ask: "Fit dipole r4 to the port cable and close the lid.",
      caution: "Keep your hands off the cable while it measures."}
  - capture: {name: antenna, role: test, route: middle, position: antenna, antenna: dipole r4,
      sweep: main}
"""


@dataclass(frozen=True)
class View:
    """One view to draw.

    prepare: brings the bench into the state that is shown, and returns what ends it again.
    show: what to do on the open page before the picture is taken. document: the size of which a
    picture stands in the documents, and its colour scheme.
    """

    name: str
    address: str
    document: tuple[str, str] | None = None
    prepare: Callable[[Stage], Callable[[], None]] | None = None
    show: Callable[[Watched], None] | None = None


def _job(text: str, state: str) -> Callable[[Stage], Callable[[], None]]:
    def prepare(stage: Stage) -> Callable[[], None]:
        job = stage.daemon.queue_text(text)
        stage.daemon.until_state(job, state)

        def end() -> None:
            stage.daemon.http.post(f"/api/jobs/{job}/withdraw")
            stage.daemon.until_state(job, "withdrawn", "done")

        return end

    return prepare


def _night(stage: Stage) -> Callable[[], None]:
    opens = datetime.now(UTC) + timedelta(hours=2)
    window = {"not_before": opens.isoformat()}
    given = [
        {"recipe": "open-short-baseline", "arguments": {"antenna": "dipole r3"}},
        {"recipe": "return-loss", "arguments": {"antenna": "dipole r4"}},
        {"recipe": "gain-pair-by-switch", "arguments": {"antenna": "yagi r2"}},
    ]
    jobs = []
    for one in given:
        answer = stage.daemon.http.post("/api/jobs", json={**one, **window})
        assert answer.status_code == 201, answer.text
        jobs.append(answer.json()["id"])

    def end() -> None:
        for job in jobs:
            stage.daemon.http.post(f"/api/jobs/{job}/withdraw")

    return end


def _half_swept(watched: Watched) -> None:
    drawing = watched.page.locator("svg.sketch")
    until(lambda: int(drawing.get_attribute("data-points") or 0) > 110, "half a sweep")


def _form_filled(watched: Watched) -> None:
    watched.page.get_by_label("Antenna", exact=True).select_option("dipole r4")


def _plots_drawn(watched: Watched) -> None:
    watched.page.locator(".plot-picture .main-svg").first.wait_for(state="attached")
    watched.page.wait_for_timeout(1500)


def _live(watched: Watched) -> None:
    watched.page.get_by_label("Antenna", exact=True).select_option("dipole r4")
    watched.press("Show the worksheet")
    watched.press("Switch RF on and look")
    watched.page.locator(".live-curve").wait_for()
    watched.page.wait_for_timeout(3000)


def _trimming(watched: Watched) -> None:
    page, simulator = watched.page, watched.stage.simulator
    page.get_by_label("Antenna", exact=True).select_option("dipole r4")
    watched.press("Show the worksheet")
    watched.press("Begin")
    first = page.get_by_role("button", name="RF may go on")
    look = page.get_by_role("button", name="look now, RF comes on")
    first.or_(look).first.wait_for()
    if first.count():
        first.click()
    for removed_mm in (0.0, 0.1):
        look.wait_for()
        if removed_mm:
            simulator.do("trim", antenna="dipole r4", by_m=removed_mm / 1e3)
            page.get_by_label("Taken off each arm since the last look, mm").fill(str(removed_mm))
        rows = page.locator("main tbody tr")
        before = rows.count()
        look.click()
        rows.nth(before).wait_for()
    look.wait_for()


def _trim_session(stage: Stage) -> Callable[[], None]:
    def end() -> None:
        jobs = stage.daemon.http.get("/api/jobs", params={"state": ["running", "needs-hands"]})
        for job in jobs.json():
            stage.daemon.http.post(f"/api/jobs/{job['id']}/withdraw")
            stage.daemon.until_state(job["id"], "withdrawn")

    return end


VIEWS = (
    View("now", "#/now", ("desktop", "light"), _job(SLOW, "running"), _half_swept),
    View("hands", "#/now", ("phone", "light"), _job(BY_HAND, "needs-hands")),
    View("queue", "#/queue", ("desktop", "light"), _night, _form_filled),
    View("antennas", "#/antennas"),
    View("antenna", "#/antenna/dipole%20r4", ("desktop", "light"), None, _plots_drawn),
    View("bench", "#/bench", ("desktop", "dark"), None, _plots_drawn),
    View("trim", "#/trim", ("desktop", "light"), _trim_session, _trimming),
    View("live", "#/live", ("phone", "dark"), None, _live),
)


def draw(browser: Browser, stage: Stage, view: View, folder: Path) -> list[Path]:
    """The pictures of one view; those for the documents go there as well."""
    made = []
    # What stands in the documents is drawn first, before others have left their traces.
    for size in sorted(SIZES, key=lambda name: view.document is None or view.document[0] != name):
        pixels = SIZES[size]
        end = view.prepare(stage) if view.prepare is not None else None
        scheme = view.document[1] if view.document and view.document[0] == size else "light"
        watched = Watched(browser, stage, size=pixels, scheme=scheme)
        try:
            watched.go(view.address)
            watched.page.locator("#rf.rf-off, #rf.rf-on").wait_for()
            if view.show is not None:
                view.show(watched)
            watched.page.wait_for_timeout(500)
            watched.page.evaluate("scrollTo(0, 0)")
            png = watched.page.screenshot()
            made.append(folder / f"{view.name}-{size}.png")
            made[-1].write_bytes(png)
            if view.document and view.document[0] == size:
                _small(png, IN_DOCUMENTS / f"{view.name}.png")
        finally:
            watched.close()
            if end is not None:
                end()
    return made


def _small(png: bytes, into: Path) -> None:
    into.parent.mkdir(parents=True, exist_ok=True)
    picture = Image.open(io.BytesIO(png)).convert("RGB").quantize(COLOURS)
    picture.save(into, optimize=True)


def main(arguments: Sequence[str] | None = None) -> None:
    """Entry point."""
    parser = argparse.ArgumentParser(prog="python -m tests.browser.pictures", description=__doc__)
    parser.add_argument("--out", type=Path, default=Path("demo-output/pictures"))
    parser.add_argument("--only", action="append", help="names of views; all by default")
    options = parser.parse_args(arguments)
    options.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as text, sync_playwright() as playwright:
        os.environ["BENCHD_STATE"] = f"{text}/state"
        browser = playwright.chromium.launch(executable_path=program("chromium"), args=FLAGS)
        stage = with_a_past(Path(text), POINTS)
        try:
            for view in VIEWS:
                if not options.only or view.name in options.only:
                    print(*draw(browser, stage, view, options.out), sep="\n")
        finally:
            stage.end()
            browser.close()


if __name__ == "__main__":
    main()
