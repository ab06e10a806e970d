"""Recipe files by name, from the person's own folder and from the shipped one."""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import Any

from benchd.errors import OrderRefused, RecipeError
from benchd.recipe import Recipe, load_recipe

MAX_NAME = 100


class RecipeShelf:
    """Recipes by file name without its ending. Files are read anew each time they are asked for.

    folders: searched in order; the first that holds the name wins, so that a person's own
        recipe stands before a shipped one of the same name.
    """

    def __init__(self, folders: list[Path]) -> None:
        self._folders = folders

    def _files(self) -> dict[str, Path]:
        found: dict[str, Path] = {}
        for folder in self._folders:
            for path in sorted((*folder.glob("*.yaml"), *folder.glob("*.yml"))):
                found.setdefault(path.stem, path)
        return found

    def get(self, name: str) -> Recipe:
        """Read one recipe. Raises OrderRefused for an unknown name, RecipeError for a bad file.

        The name is only compared with the names of the files found, so that a name such as
        `../other` cannot reach a file outside the folders.
        """
        files = self._files()
        if name not in files:
            shown = name[:MAX_NAME]
            near = difflib.get_close_matches(shown, files, n=1)
            hint = f'Did you mean "{near[0]}"? ' if near else ""
            raise OrderRefused(
                f'there is no recipe "{shown}"',
                advice=f"{hint}There are: {', '.join(sorted(files)) or 'none'}.",
            )
        return load_recipe(files[name])

    @staticmethod
    def read(text: str, file: str) -> Recipe:
        """Read a recipe given as text. Raises RecipeError."""
        return load_recipe(text, file=file)

    def listing(self) -> list[dict[str, Any]]:
        """Name, title, about, parameters and, for a file that cannot be read, its error."""
        found = []
        for name, path in sorted(self._files().items()):
            try:
                recipe = load_recipe(path)
            except RecipeError as error:
                found.append(
                    {"name": name, "title": "", "about": "", "parameters": {}, "error": str(error)}
                )
            else:
                found.append(
                    {
                        "name": name,
                        "title": recipe.title,
                        "about": recipe.about,
                        "parameters": {
                            key: parameter.model_dump(mode="json", exclude_none=True)
                            for key, parameter in recipe.parameters.items()
                        },
                        "error": "",
                    }
                )
        return found
