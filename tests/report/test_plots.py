"""Plots: valid files, the right words and places in them, readable for everyone."""

from __future__ import annotations

import itertools
import math
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from benchd.report import palette
from benchd.report.difference_plot import draw_differences
from benchd.report.figure import Heading, Numbers, foot_line, frame, legend, style
from benchd.report.gain_plot import draw_gain
from benchd.report.level_plot import draw_levels, level_db
from benchd.report.plots import JobPlots, plot_capture, plot_job, safe_name
from benchd.report.reflection_plot import draw_reflection
from benchd.results import Budget, Result, ResultRecord, Term
from benchd.sweeps import SweepAsRun
from benchd.traces import Capture, Form, Role, Trace
from tests.report.named import gather

NOW = datetime(2026, 3, 1, 21, 4, 5, tzinfo=UTC)
FREQUENCY_HZ = np.linspace(1.45e9, 1.95e9, 101)
JOB = "job-0000000000000001"


def _return_loss() -> np.ndarray:
    impedance = 62 * (1 + 1j * 18 * (FREQUENCY_HZ - 1.6837e9) / 1.6837e9)
    return -20 * np.log10(np.abs((impedance - 50) / (impedance + 50)))


def _capture(role: Role = Role.TEST, **more: Any) -> Capture:
    trace = Trace("level", Form.LEVEL_DBM, FREQUENCY_HZ, -31.0 - _return_loss())
    fields: dict[str, Any] = {
        "id": f"cap-{role.value}", "bench": "workshop", "job_id": JOB, "step": "test", "role": role,
        "route": "middle", "position": "antenna", "antenna": "dipole r3", "traces": (trace,),
        "settings": SweepAsRun(
            method="stepped", start_hz=1.45e9, stop_hz=1.95e9, points=FREQUENCY_HZ.size,
            level_dbm=-10.0, resolution_bandwidth_hz=1e4, detector="rms", dwell_s=0.002,
        ),
        "fixtures": {}, "instruments": {}, "taken_at": NOW, "recipe_hash": "c0ffee",
        "worksheet_hash": "feed",
    }  # fmt: skip
    return Capture(**{**fields, **more})


def _job(**more: Any) -> JobPlots:
    loss = _return_loss()
    gain = 9.2 - 3 * ((FREQUENCY_HZ - 1.72e9) / 2e8) ** 2
    named = {
        "dipole/return_loss": loss, "dipole/return_loss/low": loss - 1.0,
        "dipole/return_loss/high": loss + 1.3, "yagi/realised_gain": gain,
        "yagi/realised_gain/low": gain - 1.2, "yagi/realised_gain/high": gain + 1.2,
        "yagi/gain": gain + 0.4,
    }  # fmt: skip
    traces = [Trace(name, Form.RATIO_DB, FREQUENCY_HZ, values) for name, values in named.items()]
    own = {"antenna": "dipole r3", "captures": ("cap-open", "cap-test")}
    results = [
        ("dipole", Result("resonance_frequency", 1.6837e9, "Hz", 2.1e6, 2.0, 1.6816e9, 1.6858e9,
                          **own)),
        ("dipole", Result("return_loss", 17.9, "dB", 1.1, 1.96, 16.9, 19.1, 1.7e9,
                          flags=("near-noise",), **own)),
        ("dipole", Result("bandwidth", 1.301e8, "Hz", 5e6, 2.0, 1.25e8, 1.35e8,
                          band_hz=(1.6201e9, 1.7502e9), **own)),
        ("yagi", Result("realised_gain", 9.178, "dBi", 1.25, 2.1, 7.9, 10.4, 1.7e9,
                        antenna="yagi r2")),
        ("yagi", Result("gain", 9.636, "dBi", 1.25, 2.1, 8.4, 10.9, 1.7e9, antenna="yagi r2")),
    ]  # fmt: skip
    records = [
        ResultRecord(f"res-{n}", "workshop", JOB, step, "demo", "c0ffee", "feed", {}, NOW, result)
        for n, (step, result) in enumerate(results)
    ]
    job = JobPlots(
        recipe="return-loss", bench="workshop", job_id=JOB, moment=NOW, reduced=gather(traces),
        records=records, captures=[_capture()],
        settings={name: {"design_frequency_hz": 1.7e9} for name in ("dipole", "yagi")}, cautions=3,
    )  # fmt: skip
    return replace(job, **more)


def _svg_texts(path: Path) -> list[str]:
    root = ET.parse(path).getroot()
    return ["".join(node.itertext()).strip() for node in root.iter() if node.tag.endswith("}text")]


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plots") / "made" / "on demand"
    plot_job(_job(), folder, levels=True)
    return folder


def test_each_picture_is_a_png_and_an_svg(drawn: Path) -> None:
    stems = ["dipole-levels", "dipole-return-loss", "yagi-gain"]
    assert sorted(path.name for path in drawn.iterdir()) == [
        f"{stem}.{ending}" for stem in stems for ending in ("png", "svg")
    ]
    for path in drawn.glob("*.png"):
        with Image.open(path) as image:
            image.verify()
        with Image.open(path) as image:
            assert image.size == (1650, 990)


def test_the_return_loss_plot_says_what_it_shows(drawn: Path) -> None:
    texts = _svg_texts(drawn / "dipole-return-loss.svg")
    for expected in (
        "dipole r3",
        "Return loss  ·  recipe return-loss  ·  2026-03-01 21:04:05 UTC",
        "resonance 1.6837 GHz",
        "design 1.7 GHz",
        "Return loss, dB",
        "Frequency, GHz",
        "VSWR",
        "17.9 dB",
        "16.9 to 19.1 dB",
        "1.6837 GHz",
        "± 0.0021 GHz",
        "Flags: close to the noise floor.",
        f"bench workshop  ·  job {JOB}  ·  captures cap-open, cap-test  ·  3 cautions: see the "
        "worksheet",
        "10 dB band 1.6201 to 1.7502 GHz",
    ):
        assert expected in texts


def test_the_gain_plot_says_which_gain_is_which(drawn: Path) -> None:
    texts = _svg_texts(drawn / "yagi-gain.svg")
    for expected in ("yagi r2", "Realised gain", "Gain", "Gain, dBi", "9.2 dBi", "± 1.3 dB"):
        assert expected in texts
    assert "mismatch" in " ".join(texts)


def test_the_level_plot_says_how_the_sweep_was_run(drawn: Path) -> None:
    texts = _svg_texts(drawn / "dipole-levels.svg")
    for expected in ("test (middle, antenna)", "stepped", "101", "-10 dBm", "10 kHz", "2 ms"):
        assert expected in texts


def test_resonance_design_and_band_are_where_they_belong() -> None:
    job = _job()
    heading = Heading("dipole r3", "return-loss", NOW, "workshop", JOB)
    results = [record.result for record in job.records[:3]]
    with style():
        figure = draw_reflection(job.reduced[0], results, heading, design_hz=1.7e9)
    axes = figure.axes[0]
    assert axes.get_xlim() == (1.45e9, 1.95e9)
    bottom, top = axes.get_ylim()
    assert (bottom > 20.0, top) == (True, 0.0)  # downwards, and the dip has room
    upright = {float(line.get_xdata()[0]) for line in axes.lines
               if len(set(np.asarray(line.get_xdata()).tolist())) == 1}  # fmt: skip
    assert {1.6837e9, 1.7e9, 1.6201e9, 1.7502e9} <= upright
    curve = max(axes.lines, key=lambda line: len(line.get_xdata()))
    np.testing.assert_array_equal(curve.get_ydata(), job.reduced[0].values)
    # The VSWR scale agrees with the handbook: 2 at 9.542 dB, 1.5 at 13.98 dB.
    side = axes.child_axes[0]
    ticks = dict(zip(side.yaxis.get_major_formatter().seq, side.yaxis.get_major_locator().locs,
                     strict=True))  # fmt: skip
    assert ticks["2"] == pytest.approx(9.542, abs=5e-4)
    assert ticks["1.5"] == pytest.approx(13.979, abs=5e-4)


def test_an_interval_without_an_upper_end_and_a_plain_curve_can_be_drawn(tmp_path: Path) -> None:
    loss = _return_loss()
    high = np.where(loss > 15, np.inf, loss + 1)
    named = {"a/return_loss": loss, "a/return_loss/low": loss - 1, "a/return_loss/high": high,
             "b/return_loss": loss}  # fmt: skip
    traces = [Trace(name, Form.RATIO_DB, FREQUENCY_HZ, v) for name, v in named.items()]
    job = _job(reduced=gather(traces), records=(), captures=(), settings={})
    assert [path.name for path in plot_job(job, tmp_path)] == [
        "a-return-loss.png", "a-return-loss.svg", "b-return-loss.png", "b-return-loss.svg",
    ]  # fmt: skip


def test_nothing_is_written_beyond_the_paper() -> None:
    """Long names and values without uncertainty still fit, measured as drawn."""
    job = _job()
    own = {"antenna": "yagi r2"}
    results = [
        Result("realised_gain_max", 9.0, "dBi", 2.4, 2.0, 6.6, 11.4, 1.712587e9, **own),
        Result("realised_gain", 8.123, "dBi", None, None, frequency_hz=1.7e9, **own),
        Result("realised_gain_min", 12.3456, "dBi", None, None, -11.111, None, 1.6e9, **own),
    ]
    heading = Heading("yagi r2", "gain", NOW, "workshop", JOB, [f"cap-{n:016d}" for n in range(12)],
                      ["A flag of some length that goes on and on " * 9 + "."] * 3, 9)  # fmt: skip
    with style():
        figure = draw_gain(job.reduced[1:2], results, heading)
        renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
        for text in figure.texts:
            box = text.get_window_extent(renderer)
            assert box.x0 >= 0, text.get_text()
            assert box.x1 <= figure.bbox.width, text.get_text()
            assert box.y0 >= 0, text.get_text()
            assert box.y1 <= figure.bbox.height, text.get_text()


def test_bins_that_were_never_visited_are_left_out_of_the_curve_and_counted() -> None:
    visited = np.ones(101, dtype=bool)
    visited[[3, 50]] = False
    trace = Trace("level", Form.LEVEL_DBM, FREQUENCY_HZ, np.full(101, -40.0), visited=visited)
    heading = Heading("dipole r3", "demo", NOW, "workshop", JOB)
    with style():
        figure = draw_levels([_capture(traces=(trace,))], heading)
    axes = figure.axes[0]
    assert axes.get_legend_handles_labels()[1] == [
        "test (middle, antenna)", "2 bins never saw the source",
    ]  # fmt: skip
    assert np.isnan(np.asarray(axes.lines[0].get_ydata())).sum() == 2
    np.testing.assert_array_equal(axes.lines[1].get_xdata(), FREQUENCY_HZ[[3, 50]])


def test_several_captures_are_told_apart_by_more_than_colour() -> None:
    heading = Heading("dipole r3", "demo", NOW, "workshop", JOB)
    captures = [_capture(role) for role in (Role.OPEN, Role.SHORT, Role.TEST)]
    with style():
        lines = draw_levels(captures, heading).axes[0].lines
    assert len({str(line._unscaled_dash_pattern) for line in lines}) == 3
    with pytest.raises(ValueError, match="a level plot takes at least one capture"):
        draw_levels([], heading)


def test_a_complex_trace_is_drawn_as_its_magnitude() -> None:
    trace = Trace("s11", Form.RATIO_COMPLEX, np.array([1e9, 2e9, 3e9]), np.array([1j, 0.1, 0.0]))
    np.testing.assert_allclose(level_db(trace), [0.0, -20.0, -np.inf], atol=1e-12)


def test_the_same_input_gives_the_same_bytes(tmp_path: Path) -> None:
    for folder in ("one", "two"):
        plot_capture(_capture(), "demo", tmp_path / folder)
    for name in ("cap-test-levels.png", "cap-test-levels.svg"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_below_the_picture_stands_one_line_whatever_there_is_to_say() -> None:
    """Cautions are for whoever works at the bench: the worksheet holds them, whole."""
    heading = Heading("dipole r3", "demo", NOW, "workshop", JOB, ["cap-1", "cap-2"])
    assert foot_line(heading) == f"bench workshop  ·  job {JOB}  ·  captures cap-1, cap-2"
    one = foot_line(replace(heading, cautions=1))
    assert one.endswith("  ·  1 caution: see the worksheet")
    many = replace(heading, captures=[f"cap-{n:016d}" for n in range(48)], cautions=12)
    assert foot_line(many) == (
        f"bench workshop  ·  job {JOB}  ·  48 captures  ·  12 cautions: see the worksheet"
    )
    sizes = set()
    for cautions in (0, 12):
        with style():
            figure = draw_levels([_capture()], replace(heading, cautions=cautions))
        sizes.add((figure.get_figheight(), figure.axes[0].get_position().bounds))
    assert len(sizes) == 1, "cautions change neither paper nor axes"


def _boxes(figure: Any) -> dict[str, Any]:
    """Every text above or in the axes with its place as drawn, pixels."""
    renderer = figure.canvas.get_renderer()
    return {t.get_text(): t.get_window_extent(renderer) for t in figure.axes[0].texts}


@pytest.mark.parametrize("resonance_hz", [1.4501e9, 1.46e9, 1.6837e9, 1.6999e9, 1.7001e9, 1.9499e9])
@pytest.mark.parametrize("design_hz", [1.451e9, 1.7e9, 1.949e9])
def test_names_of_lines_hide_neither_the_curve_nor_each_other(
    resonance_hz: float, design_hz: float
) -> None:
    heading = Heading("dipole r3", "return-loss", NOW, "workshop", JOB)
    results = [
        Result("resonance_frequency", resonance_hz, "Hz", 2.1e6, 2.0, resonance_hz - 2.1e6,
               resonance_hz + 2.1e6),
        Result("bandwidth", 1.2e8, "Hz", 5e6, 2.0, 1.25e8, 1.35e8,
               band_hz=(resonance_hz - 6e7, resonance_hz + 6e7)),
    ]  # fmt: skip
    with style():
        figure = draw_reflection(_job().reduced[0], results, heading, design_hz=design_hz)
        boxes = _boxes(figure)
        axes = figure.axes[0].get_window_extent()
    assert len(boxes) == 3
    for name, box in boxes.items():
        assert box.y0 >= axes.y1, f"{name} stands above the axes"
        assert axes.x0 - 1 <= box.x0, name
        assert box.x1 <= axes.x1 + 1, name
        assert box.y1 <= 0.88 * figure.bbox.height, f"{name} stays below the heading"
    for one, other in itertools.combinations(boxes.values(), 2):
        assert not one.overlaps(other)


@pytest.mark.parametrize(
    ("start_hz", "stop_hz", "told_hz", "unit"),
    [
        (0.618e9, 1.118e9, 868e6, "MHz"),
        (0.9e9, 1.05e9, 1.0e9, "GHz"),
        (400e6, 470e6, 433e6, "MHz"),
        (1.45e9, 1.95e9, 1.7e9, "GHz"),
    ],
)
def test_the_axis_has_the_unit_of_the_numbers_beside_it(
    start_hz: float, stop_hz: float, told_hz: float, unit: str
) -> None:
    grid = np.linspace(start_hz, stop_hz, 101)
    (curve,) = gather([Trace("a/return_loss", Form.RATIO_DB, grid, np.full(101, 6.0))])
    result = Result("resonance_frequency", told_hz, "Hz", 1e6, 2.0, told_hz - 1e6, told_hz + 1e6)
    heading = Heading("dipole r3", "return-loss", NOW, "workshop", JOB)
    with style():
        figure = draw_reflection(curve, [result], heading, design_hz=1.0e9)
        figure.canvas.draw()
    axes = figure.axes[0]
    assert axes.get_xlabel() == f"Frequency, {unit}"
    beside = [text.get_text() for text in figure.texts]
    assert any(text.endswith(f" {unit}") for text in beside), beside
    for text in axes.texts:
        assert text.get_text().endswith(f" {unit}")
    factor = {"GHz": 1e9, "MHz": 1e6}[unit]
    shown = [float(label.get_text()) for label in axes.get_xticklabels() if label.get_text()]
    places = [place / factor for place in axes.get_xticks()]
    np.testing.assert_allclose(shown, places, atol=1e-6)
    assert max(len(label.get_text()) for label in axes.get_xticklabels()) <= 6


def test_the_sizes_that_were_assumed_are_named_once_beside_the_plot(tmp_path: Path) -> None:
    def term(name: str, contribution: float, assumed: bool) -> Term:
        return Term(name, contribution, "dB", "normal", 1.0, 1.0, contribution, assumed=assumed)

    terms = (term("drift", 0.1, True), term("box", 0.9, False), term("linearity", 0.3, True))
    budget = Budget(terms, 1.0, math.inf, 1.96, 1.96, 7.2, 11.1)
    result = Result("realised_gain", 9.2, "dBi", 1.96, 1.96, 7.2, 11.1, 1.7e9, antenna="yagi r2",
                    flags=("assumed-term",), budget=budget)  # fmt: skip
    record = ResultRecord("res-1", "workshop", JOB, "yagi", "demo", "", "", {}, NOW, result)
    plot_job(_job(records=(record, record)), tmp_path)
    texts = _svg_texts(tmp_path / "yagi-gain.svg")
    said = "Uncertainty partly assumed, not known of this bench: linearity, drift."
    assert " ".join(texts).count(said) == 1
    assert not [text for text in texts if text.startswith("Flags")]


@pytest.mark.parametrize(
    ("text", "name"),
    [("dipole r3", "dipole-r3"), ("../../etc/passwd", "etc-passwd"), ("a/b\\c:d", "a-b-c-d"),
     ("...", "plot"), ("", "plot"), ("x" * 200, "x" * 80), ("ä\n", "plot"), ("a..b", "a-b")],
)  # fmt: skip
def test_names_become_safe_file_names(text: str, name: str) -> None:
    assert safe_name(text) == name


def _linear(colour: str) -> np.ndarray:
    """sRGB to linear light (IEC 61966-2-1)."""
    rgb = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def _luminance(linear: np.ndarray) -> float:
    return float(np.array([0.2126, 0.7152, 0.0722]) @ linear)


def _contrast(one: str, other: str) -> float:
    """WCAG 2.1, contrast ratio."""
    high, low = sorted((_luminance(_linear(one)), _luminance(_linear(other))), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("name", ["INK", "MUTED", "CURVE", "TARGET", "BAND_EDGE", "CAUTION"])
def test_text_reads_on_paper(name: str) -> None:
    """WCAG 2.1, success criterion 1.4.3: at least 4.5 : 1 for text."""
    assert _contrast(getattr(palette, name), palette.PAPER) >= 4.5


def test_series_stand_out_from_paper_and_text_from_the_band() -> None:
    """WCAG 2.1, 1.4.11: at least 3 : 1 for graphical objects."""
    for colour in palette.SERIES:
        assert _contrast(colour, palette.PAPER) >= 3.0
    for name in ("INK", "BAND_EDGE", "CURVE", "TARGET"):
        assert _contrast(getattr(palette, name), palette.BAND) >= 3.0


# Machado, Oliveira and Fernandes, "A Physiologically-based Model for Simulation of Color Vision
# Deficiency", IEEE TVCG 15 (2009), severity 1.0 (matrices from memory), in linear RGB.
DICHROMACY = {
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                   [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                     [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
                   [0.004733, 0.691367, 0.303900]],
}  # fmt: skip


def _lab(linear: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* under D65 (CIE 15; sRGB primaries by IEC 61966-2-1)."""
    to_xyz = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    ratio = (to_xyz @ linear) / np.array([0.9505, 1.0, 1.089])
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("sight", ["usual", *DICHROMACY])
def test_colours_used_together_differ_for_every_eye(sight: str) -> None:
    """A difference of 20 in L*a*b* is plain to see (common practice, no source)."""
    matrix = np.array(DICHROMACY.get(sight, np.eye(3)))
    for together in ((palette.CURVE, palette.TARGET, palette.INK), palette.SERIES):
        for one, other in itertools.combinations(together, 2):
            seen = [_lab(np.clip(matrix @ _linear(c), 0.0, 1.0)) for c in (one, other)]
            assert np.linalg.norm(seen[0] - seen[1]) > 20, (one, other)


def test_matplotlib_is_loaded_only_to_draw() -> None:
    code = (
        "import sys; from benchd.report import plots, wording, tables, touchstone; "
        "print('matplotlib' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"


def test_curves_over_an_angle_are_drawn_over_each_other_too() -> None:
    from benchd.curves import Curve
    from benchd.report.overlay_plot import Overlaid, draw_overlay
    from benchd.traces import Axis

    turn = Axis("angle", "deg", np.linspace(-180.0, 180.0, 37))
    over = [
        Overlaid(f"turn {at}", Curve("pattern", Trace("p", Form.RATIO_DB, turn, turn.values * 0)))
        for at in range(6)
    ]
    heading = Heading("yagi r2", "pattern", NOW, "workshop", JOB)
    with style():
        figure = draw_overlay(over, heading)
        axes = figure.axes[0]
    assert axes.get_xlabel() == "Angle, deg"
    words = [text.get_text() for text in figure.texts]
    assert "turn 5" in words
    # More than there are colours: colour and dashes together tell all of them apart.
    assert {"blue, solid", "blue, dashed", "black, dashed", "black, dotted"} <= set(words)


@pytest.mark.parametrize(("count", "length"), [(3, 12), (6, 24), (9, 40), (12, 12)])
def test_many_names_take_rows_of_their_own_inside_the_picture(count: int, length: int) -> None:
    heading = Heading("dipole r3", "return-loss", NOW, "workshop", JOB)
    with style():
        figure, axes = frame("Level", heading, Numbers([], ""))
        axes.set_xlabel("Frequency, GHz", labelpad=8)
        for at in range(count):
            axes.plot([1.0, 2.0], [at, at], label=f"{at}".ljust(length, "x"))
        legend(figure, axes)
        figure.canvas.draw()
        renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
        box = figure.legends[0].get_window_extent(renderer)
        foot = figure.texts[-1].get_window_extent(renderer)
        assert box.x0 >= 0
        assert box.x1 <= figure.bbox.width
        assert foot.y0 < box.y0
        assert box.y1 < axes.xaxis.label.get_window_extent(renderer).y0


@pytest.mark.parametrize("count", [1, 3, 6])
def test_a_picture_of_few_differences_has_no_empty_part(count: int) -> None:
    heading = Heading("dipole r4", "compare-revisions", NOW, "workshop", JOB)
    one = Result("return_loss_difference", 2.0, "dB", 0.8, 2.0, 1.2, 2.8, 1.7e9)
    with style():
        figure = draw_differences([one] * count, heading)
        renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
        boxes = [text.get_window_extent(renderer) for text in figure.texts]
    assert all(box.y0 >= 0 and box.y1 <= figure.bbox.height for box in boxes)
    ends = sorted([*(box.y0 for box in boxes), *(axes.bbox.y0 for axes in figure.axes)])
    gaps = [(above - below) / figure.dpi for below, above in itertools.pairwise(ends)]
    assert max(gaps) < 1.3  # inches; one row is as high as that
