"""What the Tab key offers beside commands and options: ids of jobs, and names of recipes.

The daemon is asked, for no longer than a person would wait; without an answer nothing is offered.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import typer

ANSWER_WITHIN_S = 1.0
MOST_JOBS = 50


def job_ids(context: typer.Context, incomplete: str) -> list[tuple[str, str]]:
    """The newest jobs, each with its recipe and state."""
    found = _ask(context, f"/api/jobs?limit={MOST_JOBS}")
    return [
        (str(job["id"]), f"{job['recipe']}, {job['state']}")
        for job in found
        if str(job["id"]).startswith(incomplete)
    ]


def recipe_names(context: typer.Context, incomplete: str) -> list[tuple[str, str]]:
    """The recipes that the daemon knows, or those that come with benchd where none answers."""
    found = {str(one["name"]): str(one["title"]) for one in _ask(context, "/api/recipes")}
    if not found:
        found = {path.stem: "comes with benchd" for path in sorted(_shipped().glob("*.yaml"))}
    return [(name, title) for name, title in found.items() if name.startswith(incomplete)]


def _shipped() -> Path:
    from benchd.service.daemon import shipped_recipes

    return shipped_recipes()


def _ask(context: typer.Context, path: str) -> list[dict[str, Any]]:
    """A list from the daemon's API; empty where none answers."""
    import httpx

    from benchd.cli.client import DEFAULT_URL

    given = context.params.get("daemon") or os.environ.get("BENCHD_DAEMON") or DEFAULT_URL
    token = os.environ.get("BENCHD_TOKEN")
    headers = {"authorization": f"Bearer {token}"} if token else {}
    try:
        with httpx.Client(timeout=ANSWER_WITHIN_S, trust_env=False, headers=headers) as client:
            answer = client.get(f"{str(given).rstrip('/')}{path}")
            found = answer.json() if answer.is_success else []
    except (httpx.HTTPError, httpx.InvalidURL, ValueError):
        return []
    return found if isinstance(found, list) else []
