"""Runs the migrations from inside the program, without a file alembic.ini."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Connection


def _config() -> Config:
    config = Config()
    # Alembic takes a % in this value for an interpolation.
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    return config


def known_versions() -> frozenset[str]:
    """All versions that this program can read or upgrade from."""
    scripts = ScriptDirectory.from_config(_config())
    return frozenset(script.revision for script in scripts.walk_revisions())


def upgrade(connection: Connection) -> None:
    """Bring the database to the newest version, inside the connection's transaction."""
    config = _config()
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
