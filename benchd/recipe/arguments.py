"""The values that a recipe runs with: what was given when queueing, then the defaults."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic_core import PydanticCustomError

from benchd.bench import Bench
from benchd.errors import Problem, RecipeError
from benchd.files.fields import Given, describe, with_article, wrong
from benchd.files.yamlfile import MOST_PROBLEMS, nearest, printable
from benchd.recipe.load import Recipe
from benchd.recipe.parameters import Parameter

MOST_CHARACTERS = 200


def read_arguments(recipe: Recipe, bench: Bench, arguments: Mapping[str, str]) -> dict[str, Given]:
    """Every parameter with its value. Raises RecipeError with all problems at once."""
    problems: list[Problem] = []
    for name in arguments:
        if name not in recipe.parameters:
            hint = nearest(str(name), recipe.parameters)
            problems.append(_given_problem(name, f'"{recipe.name}" has no such parameter, {hint}'))
    found: dict[str, Given] = {}
    for name, parameter in _in_order(recipe.parameters):
        try:
            if name in arguments:
                text = arguments[name]
                _check_text(text)
                value = parameter.from_text(name, text)
            elif parameter.default is not None:
                value = parameter.given(name, parameter.default)
            elif parameter.of is not None:
                if parameter.of not in found:
                    continue  # what it follows from is wrong or missing, and has been reported
                value = _following(name, parameter, found[parameter.of], bench)
            elif (chosen := _chosen(name, parameter, found, bench)) is not None:
                value = chosen
            elif parameter.choose == "alike" and _not_needed(name, recipe, arguments):
                found[name] = Given(name, "antenna", "", "none: not needed")
                continue
            else:
                raise wrong(_missing(parameter, bench))
            _check_on_bench(value, bench)
            found[name] = value
        except PydanticCustomError as error:
            if name in arguments or parameter.default is None:
                problems.append(_given_problem(name, str(error)))
            else:
                path = ("parameters", name, "default")
                problems.append(recipe.document.problem(path, str(error)))
    if problems:
        raise RecipeError(problems[:MOST_PROBLEMS])
    return {name: found[name] for name in recipe.parameters}


def _in_order(parameters: Mapping[str, Parameter]) -> list[tuple[str, Parameter]]:
    """Parameters so that each comes after those which its default follows from."""

    def rank(row: tuple[str, Parameter]) -> int:
        one = row[1]
        if one.of is None:
            return 1 if one.choose else 0
        base = parameters.get(one.of)
        return 2 if base is None or base.kind == "antenna" else 3

    return sorted(parameters.items(), key=rank)


def _following(name: str, parameter: Parameter, base: Given, bench: Bench) -> Given:
    """A default that follows from a frequency, or from the antenna that `base` names."""
    if base.kind != "antenna":
        return parameter.following(name, base.value)
    antenna = bench.antennas[str(base.value)]
    return parameter.following(name, antenna.design_frequency_hz, antenna.span_hz)


def _chosen(
    name: str, parameter: Parameter, found: Mapping[str, Given], bench: Bench
) -> Given | None:
    """The antenna that the bench leaves no doubt about, by the parameter's `choose`; or None."""
    fixed = {route.range_antenna for route in bench.routes.values()}
    if parameter.choose == "reference":
        known = [key for key, one in bench.antennas.items() if one.reference and key not in fixed]
        return parameter.given(name, known[0]) if len(known) == 1 else None
    if parameter.choose == "range":
        routes = [str(one.value) for one in found.values() if one.kind == "route"]
        fixed = {bench.routes[route].range_antenna for route in routes if route in bench.routes}
        (only,) = fixed if len(fixed) == 1 else (None,)
        return None if only is None else parameter.given(name, only)
    if parameter.choose == "alike" and bench.antennas:
        kinds = {(one.design_frequency_hz, one.span_hz) for one in bench.antennas.values()}
        if len(kinds) == 1:
            return Given(name, "antenna", next(iter(bench.antennas)), "any: all are alike")
    return None


def _not_needed(name: str, recipe: Recipe, arguments: Mapping[str, str]) -> bool:
    """Whether all that would follow from a parameter was given itself."""
    return all(
        key in arguments for key, parameter in recipe.parameters.items() if parameter.of == name
    )


def shown(value: object) -> object:
    """A value for a person and for JSON: quantities as text with their unit."""
    if not isinstance(value, Given):
        return value
    quantity = isinstance(value.value, float) and value.kind != "number"
    # An antenna that only stands for its frequency is told as such, not by a name.
    return value.text if quantity or value.kind == "antenna" else value.value


def _check_text(text: object) -> None:
    """Arguments come from outside: whatever cannot be shown again is refused unshown."""
    if not isinstance(text, str):
        raise wrong(f"found {describe(text)}, expected text")
    if len(text) > MOST_CHARACTERS:
        raise wrong(f"found {len(text)} characters, expected {MOST_CHARACTERS} at most")
    if "\n" in text or "\t" in text or not printable(text):
        raise wrong("found an unprintable character; take it out")


def _given_problem(name: str, message: str) -> Problem:
    shown_name = name[:60] if printable(name) else "?"
    return Problem(f'parameter "{shown_name}"', 0, 0, "", message)


def _missing(parameter: Parameter, bench: Bench) -> str:
    known = {
        "antenna": list(bench.antennas) or ["none on this bench"],
        "route": list(bench.routes),
        "choice": parameter.choices,
    }.get(parameter.kind)
    about = f" ({parameter.about})" if parameter.about else ""
    words = f", one of: {', '.join(known)}" if known else ""
    return f"has no default and must be given: {with_article(parameter.kind)}{about}{words}"


def _check_on_bench(given: Given, bench: Bench) -> None:
    names = {"antenna": list(bench.antennas), "route": list(bench.routes)}
    known = names.get(given.kind)
    if known is not None and given.value not in known:
        hint = nearest(str(given.value), known)
        raise wrong(
            f'the bench "{bench.bench}" has no {given.kind} {describe(given.value)}, {hint}'
        )
