"""Antennas with their stories, overlays and differences, and the bench, in a real browser."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.browser.pages import PHONE, Stage, Watched
from tests.browser.workshop import POINTS, with_a_past


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    """A dipole measured before and after a trim, and a coupler that was qualified twice."""
    found = with_a_past(tmp_path_factory.mktemp("stage"))
    try:
        yield found
    finally:
        found.end()


def pictures(page: Watched, least: int) -> None:
    """Wait until so many plots are drawn."""
    page.page.locator(".plot-picture .main-svg").nth(3 * least - 1).wait_for(state="attached")


def test_a_story_tells_what_was_changed_and_found_as_table_and_as_curves(
    open_page: Callable[..., Watched],
) -> None:
    page = open_page("#/antenna/dipole%20r4")
    rows = page.page.locator("table.story tbody tr")
    rows.nth(1).wait_for()
    second = rows.nth(1).inner_text()
    assert "arm from 41.8 mm to 41.2 mm, 0.60 mm less" in second
    assert re.search(r"Trim said: .* mm off each arm; done: 0\.60 mm off\.", second)
    assert re.search(r"1\.6[789]\d* GHz", second)
    assert "passed" in second
    assert rows.nth(1).get_attribute("aria-current") == "true"
    titles = page.page.locator(".plot-title")
    page.see("Return loss of dipole", ".plot-title")
    assert "Resonance over the revisions" in titles.all_inner_texts()
    pictures(page, titles.count())
    axes = page.page.locator(".plot-picture .ytitle").all_text_contents()
    assert "Trim per arm, mm" in axes  # also where it is less than a millimetre
    said = page.page.locator(".plot-picture").first.get_attribute("aria-label") or ""
    assert re.search(r"dipole r3: lowest .* dB at .* GHz, highest .* dB at 1\.6\d* GHz", said)
    page.require_accessible()


def test_the_list_of_antennas_has_revisions_together_and_leads_to_the_story(
    open_page: Callable[..., Watched],
) -> None:
    page = open_page("#/antennas", size=PHONE)
    card = page.page.locator("li.card", has_text="dipole r3")
    card.wait_for()
    assert "dipole r4" in card.inner_text()
    page.see("not measured yet")
    page.require_accessible()
    card.get_by_role("link", name="dipole r4").click()
    page.page.locator("table.story").wait_for()


def test_a_new_revision_is_one_step_and_what_is_refused_stands_beside_its_field(
    open_page: Callable[..., Watched],
) -> None:
    page = open_page("#/antenna/dipole%20r4", size=PHONE)
    page.page.get_by_text("New revision of dipole r4").click()
    name, arm = page.page.get_by_label("Name"), page.page.get_by_label("Length of one arm")
    assert name.input_value() == "dipole r5"
    name.fill("dipole r3")
    arm.fill("40.9 mm")
    page.press("Add the revision")
    fault = page.page.locator("#antenna-name-fault")
    fault.get_by_text('there is an antenna "dipole r3" already').wait_for()
    assert name.get_attribute("aria-invalid") == "true"
    name.fill("dipole r5")
    arm.fill("40.9")
    page.press("Add the revision")
    page.page.locator("#antenna-arm-fault").get_by_text('found "40.9" without a unit').wait_for()
    assert name.get_attribute("aria-invalid") is None
    page.require_accessible()
    arm.fill("40.9 mm")
    page.press("Add the revision")
    page.page.locator("table.story tr[aria-current] th", has_text="dipole r5").wait_for()
    known = {one["name"]: one for one in page.daemon.http.get("/api/antennas").json()}
    assert known["dipole r5"]["trim"]["arm_m"] == pytest.approx(0.0409)
    assert "revises" not in known["dipole r5"]


def test_captures_are_laid_over_one_another_zoomed_hidden_and_kept(
    open_page: Callable[..., Watched],
) -> None:
    page = open_page("#/overlay?antenna=dipole+r4")
    page.page.locator(".choices input").first.check()
    page.press("Show these")
    captures = [one["id"] for one in page.daemon.http.get("/api/captures?role=test").json()]
    page.go(f"#/overlay?capture={captures[0]}&capture={captures[1]}")
    figure = page.page.locator("figure", has_text="Levels as recorded")
    figure.wait_for()
    pictures(page, 1)
    with page.page.expect_request(re.compile("from_hz=")):
        figure.get_by_role("button", name="Zoom in").click()
    shown = figure.get_by_role("button", name=re.compile("dipole r3"))
    shown.click()
    assert shown.get_attribute("aria-pressed") == "false"
    kept = {}
    for form in ("PNG", "SVG", "CSV"):
        with page.page.expect_download() as download:
            figure.get_by_role("button", name=f"Keep as {form}").click()
        kept[form] = Path(download.value.path()).read_bytes()
    assert kept["PNG"].startswith(b"\x89PNG")
    assert b"<svg" in kept["SVG"]
    lines = kept["CSV"].decode().splitlines()
    assert lines[0] == "curve,Frequency (Hz),Level (dBm),low,high"
    assert len(lines) == 1 + 2 * int(POINTS)
    figure.get_by_text("The numbers").click()
    figure.locator("tbody tr").first.wait_for()


def test_a_difference_is_told_with_its_interval_as_numbers_and_as_a_curve(
    open_page: Callable[..., Watched],
) -> None:
    page = open_page("#/overlay")
    page.page.get_by_label("From").select_option("dipole r3")
    page.page.get_by_label("To").select_option("dipole r3")
    page.press("Show the difference")
    page.see("Choose two antennas, or two measurements of one.")
    page.page.get_by_label("To").select_option("dipole r4")
    measured = page.page.locator("#difference-second-run option", has_text="return-loss")
    measured.first.wait_for(state="attached")
    page.press("Show the difference")
    row = page.page.locator("tr", has_text="Resonance").first
    row.wait_for()
    assert "They differ." in row.inner_text()
    assert re.search(r"\d+ MHz, \d+ to \d+ MHz", row.inner_text())
    page.see("Return loss, dipole r4 less dipole r3", ".plot-title")
    pictures(page, 1)
    assert "no difference" in (page.page.locator(".plot-picture").get_attribute("aria-label") or "")
    page.require_accessible()


def test_the_bench_tells_instruments_baselines_qualification_and_what_to_work_on(
    open_page: Callable[..., Watched],
) -> None:
    page = open_page("#/bench")
    page.see("generator")
    page.press("Ask them now")
    page.see("All instruments were asked.")
    page.see("may have drifted by")
    assert "of the variance on average" in page.page.locator(".lead").inner_text()
    card = page.page.locator("section.card", has=page.page.get_by_role("heading", name="Coupler"))
    card.wait_for()
    card.scroll_into_view_if_needed()
    pictures(page, 2)
    names = card.locator(".plot-name").all_inner_texts()
    assert "effective directivity, before" in names
    assert "effective directivity, after" in names
    assert page.page.get_by_label("Before").locator("option").count() == 2
    page.see("Coupler over time, the worst of each run", ".plot-title")
    page.require_accessible()
    page.see("Do people disturb it?")
    page.page.get_by_role("link", name="Queue the recipe stillness").click()
    page.page.get_by_role("heading", name="Queue", level=1).wait_for()


def test_the_bench_fits_a_phone(open_page: Callable[..., Watched]) -> None:
    page = open_page("#/bench", size=PHONE, scheme="dark")
    page.see("What to work on next")
    page.see("Coupler", "section h3")
    page.require_accessible()


def test_without_the_plotting_script_the_numbers_stand_in_a_table(
    open_page: Callable[..., Watched],
) -> None:
    page = open_page()
    page.page.route("**/page/plotly.js", lambda route: route.abort())
    page.go("#/antenna/dipole%20r3")
    page.see("The plotting script is not installed.")
    page.page.locator("figure tbody tr").first.wait_for()
    assert page.page.locator("figure button", has_text="PNG").first.is_hidden()
    # That the script could not be had is what was asked for here.
    page.complaints[:] = [one for one in page.complaints if "plotly.js" not in one]


def test_names_are_encoded_and_an_unknown_one_is_told_as_that(
    open_page: Callable[..., Watched],
) -> None:
    page = open_page("#/antenna/a%2Fb%20%3Cb%3Ec")
    page.see('there is no antenna "a/b <b>c"')


_WORDS = """async () => {
  const { csv, summary, table } = await import("/page/lib/plot-words.js");
  const contents = {
    x: { name: "Frequency", unit: "Hz" }, y: { name: "Return loss", unit: "dB" },
    curves: [
      { name: '=cmd, "one"', x: [1.6e9, 1.7e9], y: [12, "NaN"], low: [11, "-Infinity"],
        high: ["Infinity", "Infinity"] },
      { name: "other", x: [1.7e9], y: [-3.5] },
    ],
    marks: [{ x: 1.7e9, words: "designed for 1.7 GHz" }], bands: [],
  };
  return { csv: csv(contents), summary: summary("Two", contents), table: table(contents) };
}"""


def test_a_plot_stands_in_words_and_numbers_with_what_is_not_known(
    open_page: Callable[..., Watched],
) -> None:
    found = open_page().page.evaluate(_WORDS)
    # A name that a table program would take for a formula is marked as text (RFC 4180 quoting).
    assert found["csv"].splitlines() == [
        "curve,Frequency (Hz),Return loss (dB),low,high",
        '"\'=cmd, ""one""",1600000000,12,11,Infinity',
        '"\'=cmd, ""one""",1700000000,NaN,-Infinity,Infinity',
        "other,1700000000,-3.5,,",
    ]
    assert found["summary"] == (
        'Two. =cmd, "one": 12.00 dB at 1.6000 GHz. other: \u22123.500 dB at 1.700 GHz. '
        "Marked: designed for 1.7 GHz."
    )
    assert found["table"]["rows"] == [
        ["1.6000 GHz", "12.00 dB", "11.00 dB to no end", ""],
        ["1.7000 GHz", "not known", "no end to no end", "\u22123.500 dB"],
    ]


_DRAWN = """async () => {
  const { ON_PAPER, drawn } = await import("/page/lib/plot-figure.js");
  const x = [0, 1, 2, 3, 4].map((at) => 1.6e9 + at * 1e7);
  const made = drawn({
    x: { name: "Frequency", unit: "Hz" }, y: { name: "<b>Return</b>", unit: "dB" },
    curves: [{ name: "<i>a</i>", x, y: [1, 2, "NaN", 4, 5], low: [0, 1, "NaN", 3, 4],
      high: [2, 3, "NaN", "Infinity", 6] }],
  }, ON_PAPER, { width: 600 });
  return {
    areas: made.data.filter((one) => one.fill).map((one) => [one.x, one.y]),
    line: made.data.filter((one) => !one.fill).map((one) => one.y),
    title: made.layout.yaxis.title.text, hover: made.data[made.data.length - 1].hovertemplate,
  };
}"""


def test_intervals_are_drawn_where_they_are_known_and_names_bring_no_markup(
    open_page: Callable[..., Watched],
) -> None:
    found = open_page().page.evaluate(_DRAWN)
    # One area for each stretch; an end that lies infinitely far reaches the edge of what is drawn.
    assert found["areas"][0] == [[1.6, 1.61, 1.61, 1.6], [2, 3, 1, 0]]
    assert found["areas"][1][0] == [1.63, 1.64, 1.64, 1.63]
    assert found["areas"][1][1][0] == pytest.approx(6.24)
    assert found["areas"][1][1][1:] == [6, 4, 3]
    assert found["line"] == [[1, 2, None, 4, 5]]
    assert found["title"] == "&lt;b&gt;Return&lt;/b&gt;, dB"
    assert "&lt;i&gt;a&lt;/i&gt;" in found["hover"]


_LIVE = """async () => {
  const { plotCurves } = await import("/page/lib/plot.js");
  const root = document.getElementById("main");
  const x = [1.6e9, 1.7e9, 1.8e9];
  const plot = plotCurves(root, {
    title: "Live", x: { name: "Frequency", unit: "Hz" }, y: { name: "Return loss", unit: "dB" },
    curves: [{ name: "now", x, y: [0, 0, 0] }], live: true,
  });
  await plot.ready;
  plot.figure.querySelector("button[aria-label='Zoom in']").click();
  for (let turn = 1; turn <= 40; turn += 1) {
    plot.update([{ name: "now", x, y: [turn, turn + 1, turn] }]);
  }
  while (plot.drawing) await new Promise((resolve) => setTimeout(resolve, 10));
  const picture = plot.figure.querySelector(".plot-picture");
  const seen = { y: [...picture.data[0].y], range: [...picture._fullLayout.xaxis.range] };
  plot.close();
  plot.update([{ name: "now", x, y: [9, 9, 9] }]);
  return { ...seen, left: root.querySelectorAll(".plot").length };
}"""


def test_a_plot_that_is_updated_faster_than_it_is_drawn_ends_at_the_newest_and_keeps_its_zoom(
    open_page: Callable[..., Watched],
) -> None:
    found = open_page().page.evaluate(_LIVE)
    assert found["y"] == [40, 41, 40]
    assert found["range"] == [pytest.approx(1.65), pytest.approx(1.75)]
    assert found["left"] == 0
