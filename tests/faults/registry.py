"""The kinds of fault by name."""

from __future__ import annotations

import importlib
from collections.abc import Callable

from tests.faults.scene import Scene

Act = Callable[[Scene], None]
KINDS: dict[str, Act] = {}
"""What each kind does with a scene; its docstring is what the table says of it."""


def kind(act: Act) -> Act:
    """Enter a function; its name with spaces is the kind's."""
    KINDS[act.__name__.replace("_", " ")] = act
    return act


def load() -> dict[str, Act]:
    """All kinds."""
    for name in ("daemon", "broker", "instruments", "path", "orders", "store"):
        importlib.import_module(f"tests.faults.{name}")
    return KINDS
