"""Every shipped recipe and bench reads, resolves, and fits its published JSON Schema."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from ruamel.yaml import YAML

from benchd.bench import Bench, load_bench
from benchd.recipe import load_recipe, render_worksheet, resolve, schemas
from benchd.reductions.gain_settings import Gain
from benchd.worksheet import CaptureStep, HandsStep, ReduceStep, Worksheet
from tests.usual import usual

SHIPPED = Path(__file__).parents[2] / "recipes"
RECIPES = sorted(SHIPPED.glob("*.yaml"))
BENCHES = sorted((SHIPPED / "benches").glob("*.yaml"))

# Each recipe with the bench that it runs on and what that bench needs to be told.
RUNS: list[tuple[str, str, dict[str, str]]] = [
    ("open-short-baseline", "workshop", {}),
    ("open-short-baseline-by-hand", "by-hand", {}),
    ("open-short-baseline-by-hand", "workshop", {"position": "antenna"}),
    ("return-loss", "workshop", {}),
    ("return-loss", "by-hand", {"position": "none"}),
    ("return-loss-refined", "workshop", {}),
    ("return-loss-refined", "by-hand", {"position": "none"}),
    ("return-loss-by-hand", "by-hand", {}),
    ("return-loss-by-hand", "workshop", {"position": "antenna"}),
    ("match-over-band", "workshop", {}),
    ("match-over-band", "by-hand", {"position": "none"}),
    ("gain-pair-by-switch", "workshop", {}),
    ("gain-pair-by-swap", "workshop", {}),
    ("gain-pair-by-swap", "by-hand", {"position": "none"}),
    ("gain-by-known-range-antenna", "workshop", {}),
    ("gain-by-known-range-antenna", "by-hand", {"position": "none"}),
    ("gain-between-references", "workshop", {}),
    ("gain-over-positions", "workshop", {}),
    ("gain-over-positions-by-switch", "workshop", {}),
    ("gain-over-positions", "by-hand", {"position": "none"}),
    ("gain-two-identical", "workshop", {}),
    ("gain-two-identical", "by-hand", {"position": "none"}),
    ("gain-three-antennas", "workshop", {}),
    ("gain-three-antennas", "by-hand", {"position": "none"}),
    ("return-loss-between-baselines", "workshop", {}),
    ("compare-revisions", "workshop", {}),
    ("compare-revisions", "by-hand", {"quantity": "realised_gain"}),
    ("compare-revisions", "by-hand", {"quantity": "worst_return_loss"}),
    ("stillness", "good-box", {}),
    ("stillness", "bad-box", {}),
    ("stillness", "by-hand", {}),
    ("stillness", "workshop", {"position": "mount_a"}),
    ("reflectivity", "good-box", {}),
    ("reflectivity", "bad-box", {}),
    ("reflectivity", "by-hand", {}),
    ("reflectivity", "workshop", {"position": "mount_a"}),
    ("leakage", "good-box", {}),
    ("leakage", "bad-box", {}),
    ("leakage", "by-hand", {}),
    ("leakage", "workshop", {"position": "mount_a"}),
    ("grounding", "good-box", {}),
    ("grounding", "bad-box", {}),
    ("grounding", "by-hand", {}),
    ("grounding", "workshop", {"position": "mount_a"}),
    ("repeatability", "good-box", {}),
    ("repeatability", "bad-box", {}),
    ("repeatability", "by-hand", {}),
    ("repeatability", "workshop", {"position": "mount_a"}),
    ("coupler", "good-box", {}),
    ("coupler", "bad-box", {}),
    ("coupler", "by-hand", {}),
    ("coupler", "workshop", {"position": "antenna"}),
    ("drift", "good-box", {}),
    ("drift", "bad-box", {}),
    ("drift", "by-hand", {}),
    ("drift", "workshop", {"position": "antenna"}),
]


@pytest.fixture(scope="module")
def benches() -> dict[str, Bench]:
    """The shipped benches by name."""
    return {path.stem: load_bench(path) for path in BENCHES}


def worksheet_of(benches: dict[str, Bench], recipe: str, bench: str, **given: str) -> Worksheet:
    return resolve(load_recipe(SHIPPED / f"{recipe}.yaml"), benches[bench], usual(recipe, given))


@pytest.mark.parametrize(("recipe", "bench", "given"), RUNS)
def test_shipped_recipe_resolves_and_prints(
    benches: dict[str, Bench], recipe: str, bench: str, given: dict[str, str]
) -> None:
    """Every line of the print fits a page; the steps are all there."""
    worksheet = worksheet_of(benches, recipe, bench, **given)
    text = render_worksheet(worksheet)
    assert max(len(line) for line in text.splitlines()) <= 100
    for step in worksheet.steps:
        assert f"{step.index + 1:>3}. {step.label[:40]}" in text


def test_every_shipped_recipe_is_run_here() -> None:
    """A recipe added later must find its bench."""
    assert sorted({run[0] for run in RUNS}) == sorted(path.stem for path in RECIPES)


@pytest.mark.parametrize("recipe", ["open-short-baseline", "return-loss", "gain-pair-by-switch"])
def test_the_demonstration_needs_no_hands(benches: dict[str, Bench], recipe: str) -> None:
    """Open, short, both mounts: all on the switch."""
    worksheet = worksheet_of(benches, recipe, "workshop")
    assert not [step for step in worksheet.steps if isinstance(step, HandsStep)]
    assert worksheet.expected_s < 5.0


def test_the_demonstration_sweeps_are_these(benches: dict[str, Bench]) -> None:
    """201 points from 1.45 to 1.95 GHz; gain with 81 points from 1.6 to 1.8 GHz."""
    grids = {
        recipe: {
            (step.sweep.start_hz, step.sweep.stop_hz, step.sweep.points)
            for step in worksheet_of(benches, recipe, "workshop").steps
            if isinstance(step, CaptureStep)
        }
        for recipe in ("open-short-baseline", "return-loss", "gain-pair-by-switch")
    }
    assert grids == {
        "open-short-baseline": {(1.45e9, 1.95e9, 201)},
        "return-loss": {(1.45e9, 1.95e9, 201)},
        "gain-pair-by-switch": {(1.6e9, 1.8e9, 81)},
    }


def test_the_baselines_fit_the_return_loss_that_uses_them(benches: dict[str, Bench]) -> None:
    """Same route, fixtures and sweep, so that `newest` finds them."""
    baseline = worksheet_of(benches, "open-short-baseline", "workshop").steps[0]
    test = worksheet_of(benches, "return-loss", "workshop").steps[0]
    assert isinstance(baseline, CaptureStep)
    assert isinstance(test, CaptureStep)
    assert (baseline.route, baseline.fixtures, baseline.sweep) == (
        test.route,
        test.fixtures,
        test.sweep,
    )


def test_the_known_range_antenna_comes_from_its_route(benches: dict[str, Bench]) -> None:
    """As the bench file has it."""
    steps = worksheet_of(benches, "gain-by-known-range-antenna", "workshop").steps
    reduction = next(step for step in steps if isinstance(step, ReduceStep))
    assert reduction.settings.inputs() == {"test": ("antenna",), "thru": ("thru",)}
    assert isinstance(reduction.settings, Gain)
    assert reduction.settings.range_antenna == "range dipole"


def plain(path: Path) -> Any:
    """The file as a general-purpose reader sees it."""
    return YAML(typ="safe", pure=True).load(io.StringIO(path.read_text(encoding="utf-8")))


@pytest.mark.parametrize("path", [*RECIPES, *BENCHES], ids=lambda path: path.stem)
def test_shipped_file_fits_its_schema(path: Path) -> None:
    """jsonschema as the judge, as an editor would be."""
    schema = schemas()["bench" if path in BENCHES else "recipe"]
    jsonschema.Draft202012Validator(schema).validate(plain(path))


@pytest.mark.parametrize("name", ["recipe", "bench", "register", "worksheet"])
def test_schemas_are_valid_schemas(name: str) -> None:
    """By the metaschema of draft 2020-12."""
    jsonschema.Draft202012Validator.check_schema(schemas()[name])


def test_a_worksheet_fits_its_schema(benches: dict[str, Bench]) -> None:
    """What other programs read."""
    worksheet = worksheet_of(benches, "gain-pair-by-swap", "workshop")
    validator = jsonschema.Draft202012Validator(schemas()["worksheet"])
    validator.validate(worksheet.model_dump(mode="json"))


@pytest.mark.parametrize(
    ("old", "new", "where"),
    [
        ("span: $span", "span: 500", ["sweeps", "main", "span"]),
        ("span: $span", "span: 500 MHZ", ["sweeps", "main", "span"]),
        ("detector: rms", "detector: mean", ["sweeps", "main", "detector"]),
        ("detector: rms", "detektor: rms", ["sweeps", "main"]),
        ("least: 11", "leest: 11", ["parameters", "points"]),
        ("role: test", "role: tset", ["steps", 0, "capture", "role"]),
        ("- reduce:", "- reduces:", ["steps", 1]),
        ("on_interrupt: resume", "on_interrupt: $when", ["on_interrupt"]),
    ],
)
def test_an_editor_sees_what_the_reader_refuses(
    tmp_path: Path, old: str, new: str, where: list[str | int]
) -> None:
    """The schema is no rubber stamp."""
    text = (SHIPPED / "return-loss.yaml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "bad.yaml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    validator = jsonschema.Draft202012Validator(schemas()["recipe"])
    found = [list(error.absolute_path) for error in validator.iter_errors(plain(path))]
    assert where in found


def test_every_field_of_a_file_is_described() -> None:
    """Editors show these lines while a person writes."""
    missing = [
        f"{name}.{model}.{field}"
        for name in ("recipe", "bench", "register")
        for model, definition in schemas()[name]["$defs"].items()
        for field, about in definition.get("properties", {}).items()
        if not about.get("description")
    ]
    assert missing == []
