"""A recipe held against one bench: the worksheet, or every reason why there is none."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchd.bench import Bench
from benchd.errors import RecipeError, UnsafeError
from benchd.files.yamlfile import MOST_PROBLEMS, KeyPath, in_order
from benchd.recipe.arguments import read_arguments, shown
from benchd.recipe.captures import CaptureBuilder
from benchd.recipe.cautions import worksheet_cautions
from benchd.recipe.flatten import FlatStep, Flattener, TooManySteps
from benchd.recipe.load import Recipe
from benchd.recipe.model import HandsPart
from benchd.recipe.reduce_steps import ReduceStepBuilder
from benchd.units import show
from benchd.worksheet import HandsStep, LookStart, RouteStep, Step, WaitStep, Worksheet


def resolve(recipe: Recipe, bench: Bench, arguments: Mapping[str, str]) -> Worksheet:
    """The worksheet of a recipe on a bench.

    arguments: parameter -> value as text ("1.7 GHz", "yagi r2").
    Raises RecipeError with all problems at once; UnsafeError where the level budget is exceeded.
    """
    scope = read_arguments(recipe, bench, arguments)
    reader = Flattener(recipe.document)
    builder = _Builder(recipe, bench, reader)
    raw = recipe.document.data["steps"]
    try:
        for flat in reader.steps(raw, ("steps",), scope, {}):
            builder.add(flat)
        builder.end()
    except TooManySteps:
        pass
    if reader.problems:
        raise RecipeError(in_order(reader.problems))
    if builder.captures.unsafe:
        raise _unsafe(builder.captures)
    return Worksheet(
        recipe=recipe.name,
        title=recipe.title,
        recipe_hash=recipe.hash,
        bench=bench.bench,
        bench_hash=bench.hash,
        parameters={name: shown(value) for name, value in scope.items()},
        on_interrupt=recipe.on_interrupt,
        steps=tuple(builder.steps),
        cautions=worksheet_cautions(bench, builder.steps, builder.captures.highest_port_dbm),
    )


def _unsafe(captures: CaptureBuilder) -> UnsafeError:
    known = [one.highest_level_dbm for one in captures.unsafe if one.highest_level_dbm is not None]
    advice = (
        f"Set the level to {min(known):.2f} dBm or less, or put an attenuator ahead of what is "
        "named here and state it in the bench file."
        if known
        else ""
    )
    lines = list(dict.fromkeys(one.sentence for one in captures.unsafe))
    if len(lines) > MOST_PROBLEMS:
        lines = [*lines[:MOST_PROBLEMS], f"And {len(lines) - MOST_PROBLEMS} more."]
    return UnsafeError("\n".join(lines), advice=advice)


@dataclass
class _Builder:
    """Turns flat steps into worksheet steps, in order."""

    recipe: Recipe
    bench: Bench
    reader: Flattener
    steps: list[Step] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.captures = CaptureBuilder(self.bench, self.reader)
        self.reduce_steps = ReduceStepBuilder(
            self.bench, self.reader, self.captures.by_name, self.captures.failed
        )
        self._refining: dict[str, KeyPath] = {}

    def add(self, flat: FlatStep) -> None:
        """One more step."""
        common = {
            "index": len(self.steps),
            "line": self.recipe.document.place(flat.path)[0],
            "bindings": {name: shown(value) for name, value in flat.bindings.items()},
        }
        step = self._step(flat, common)
        if step is not None:
            self.steps.append(step)

    def end(self) -> None:
        """All steps are there."""
        for name in sorted(self.reduce_steps.refined):
            self.reader.note(
                self._refining[name],
                f'the sweep of "{name}" refines for the resonance and band edges of a reflection, '
                "and no later step reduces one from it: leave `refine` out of it",
            )

    def _step(self, flat: FlatStep, common: dict[str, Any]) -> Step | None:
        part = flat.part
        if part.capture is not None:
            step = self.captures.capture(part.capture, flat, common)
            if step is not None and step.sweep.refine_to is not None:
                self.reduce_steps.refined.add(step.name)
                self._refining[step.name] = (*flat.path, "capture", "sweep")
            return step
        if part.route is not None:
            return self._route(flat, common)
        if part.hands is not None:
            ask = part.hands.ask.strip()
            caution = (part.hands.caution or "").strip()
            return HandsStep(
                **common,
                label=f"hands: {_short(ask)}",
                ask=ask,
                caution=caution,
                patience_s=part.hands.patience_s,
                then=part.hands.then,
                look=self._look(part.hands, flat),
                cautions=(caution,) if caution else (),
            )
        if part.wait is not None:
            duration = part.wait.for_s
            label = f"wait {show(duration, 's')}"
            return WaitStep(**common, label=label, duration_s=duration, expected_s=duration)
        if part.reduce is not None:
            return self.reduce_steps.reduce(part.reduce, flat, common)
        assert part.accept is not None
        return self.reduce_steps.accept(part.accept, flat, common)

    def _look(self, part: HandsPart, flat: FlatStep) -> LookStart | None:
        """How a look is started. A lid that nothing tells of cannot start one."""
        has_contact = self.bench.box is not None and self.bench.box.lid is not None
        if part.look == "lid" and not has_contact:
            text = (
                f'the bench "{self.bench.bench}" has no lid contact (box: lid:), so closing the '
                "lid cannot start a look; write button"
            )
            self.reader.note((*flat.path, "hands", "look"), text)
            return None
        return part.look

    def _route(self, flat: FlatStep, common: dict[str, Any]) -> RouteStep | None:
        part = flat.part.route
        assert part is not None
        path: KeyPath = (*flat.path, "route")
        place = self.captures.place(part.route, part.position, path)
        if place is None:
            return None
        return RouteStep(
            **common,
            label=f"switch to {place.label}",
            route=part.route,
            position=place.position,
            switching=place.switching,
            expected_s=place.switching_s,
        )


def _short(text: str) -> str:
    line = " ".join(text.split())
    return line if len(line) <= 60 else f"{line[:57]}..."
