"""Kinds of reduction, one file each; every module of this folder is imported and registered."""

from __future__ import annotations

import importlib
import pkgutil
from functools import reduce as fold
from operator import or_
from typing import Annotated, Any

from pydantic import Discriminator, Tag

from benchd.reductions.settings.base import Reduction, View, registered

for _module in pkgutil.iter_modules(__path__):
    importlib.import_module(f"{__name__}.{_module.name}")


def _kind_of(value: Any) -> str | None:
    kind = value.get("kind") if isinstance(value, dict) else getattr(value, "kind", None)
    return f"<{getattr(kind, 'text', kind)}>" if kind is not None else None


_tagged: list[Any] = [
    Annotated[model, Tag(f"<{kind}>")] for kind, model in sorted(registered().items())
]
AnyReduction: Any = Annotated[fold(or_, _tagged), Discriminator(_kind_of)]

__all__ = ["AnyReduction", "Reduction", "View", "registered"]
