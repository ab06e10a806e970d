"""Checking a recipe without a daemon: files in, worksheet out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from benchd.bench import load_bench
from benchd.cli.options import is_file, read_recipe_file
from benchd.engine.recipes import RecipeShelf
from benchd.recipe import load_recipe, resolve
from benchd.service.daemon import shipped_recipes
from benchd.worksheet import Worksheet


def resolve_offline(
    recipe: str, bench: Path, folders: Sequence[Path], arguments: Mapping[str, str]
) -> Worksheet:
    """Read bench and recipe and resolve one against the other.

    Raises BenchFileError, RecipeError, UnsafeError, OrderRefused or UserError.
    """
    loaded = load_bench(bench)
    if is_file(recipe):
        found = load_recipe(read_recipe_file(recipe), file=recipe)
    else:
        found = RecipeShelf([*folders, shipped_recipes()]).get(recipe)
    return resolve(found, loaded, arguments)
