"""The types that the page's modules state in their comments are true, by TypeScript's checker."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from tests.provisions import program

PAGE = Path(__file__).resolve().parents[2] / "benchd" / "web" / "page"
LIMIT_S = 300.0

STRICT = (
    "--noEmit", "--allowJs", "--checkJs", "--strict", "--target", "es2022", "--module", "es2022",
    "--moduleResolution", "node", "--lib", "es2022,dom,dom.iterable", "--pretty", "false",
)  # fmt: skip


def checked(*files: Path) -> str:
    """What the checker complains of; empty where all is well."""
    command = [program("tsc"), *STRICT, *map(str, files)]
    return subprocess.run(
        command, capture_output=True, text=True, check=False, timeout=LIMIT_S
    ).stdout


@pytest.mark.needs("tsc")
def test_the_modules_of_the_page_hold_their_types(tmp_path: Path) -> None:
    """One run looks at a module with a fault as well, so that a checker that checks nothing is
    noticed."""
    wrong = tmp_path / "wrong.js"
    wrong.write_text("/** @param {number} hertz */\nexport const f = (hertz) => hertz.trim();\n")
    modules = sorted(PAGE.rglob("*.js"))
    assert len(modules) > 20
    (said,) = checked(wrong, *modules).splitlines()
    assert "wrong.js" in said
    assert "Property 'trim' does not exist on type 'number'" in said
