"""The kinds of reduction, one file each: the settings in a recipe, and captures to results."""

from __future__ import annotations

import importlib
import pkgutil
from functools import reduce as fold
from operator import or_
from typing import Annotated, Any

from pydantic import Discriminator, Tag

from benchd.reductions.base import Reduction, View
from benchd.reductions.outcome import DrawnLater, Outcome
from benchd.reductions.registry import broken, enter_foreign, kinds, reduction
from benchd.worksheet import Worksheet

for _module in pkgutil.iter_modules(__path__):
    importlib.import_module(f"{__name__}.{_module.name}")
enter_foreign()


def _kind_of(value: Any) -> str | None:
    kind = value.get("kind") if isinstance(value, dict) else getattr(value, "kind", None)
    return f"<{getattr(kind, 'text', kind)}>" if kind is not None else None


_tagged: list[Any] = [
    Annotated[kind.settings, Tag(f"<{name}>")] for name, kind in sorted(kinds().items())
]
AnyReduction: Any = Annotated[fold(or_, _tagged), Discriminator(_kind_of)]
"""The settings of any kind, as a recipe's step has them."""


def worksheet_from(document: dict[str, Any]) -> Worksheet:
    """Read a stored or received worksheet with the settings of every kind of reduction."""
    return Worksheet.from_document(document)


__all__ = [
    "AnyReduction",
    "DrawnLater",
    "Outcome",
    "Reduction",
    "View",
    "broken",
    "kinds",
    "reduction",
    "worksheet_from",
]
