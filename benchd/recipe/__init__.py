"""Recipes: from a file through a model to the worksheet of one job. Pure."""

from benchd.recipe.load import Recipe, load_recipe
from benchd.recipe.render import render_worksheet
from benchd.recipe.resolve import resolve
from benchd.recipe.schemas import schemas

__all__ = ["Recipe", "load_recipe", "render_worksheet", "resolve", "schemas"]
