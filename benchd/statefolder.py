"""Where benchd keeps what must outlive a lost or unusable data folder.

One folder for each user: the record of sources (`benchd.rfoff`), so that RF can be switched off
though the data folder is gone, and marks that must not be restored together with a backup of it.
Imports nothing heavy: a small program in a hurry uses it.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path


def state_folder() -> Path:
    """The folder, which may not exist yet.

    BENCHD_STATE where it is set, else the first of STATE_DIRECTORY (systemd's StateDirectory=),
    else `benchd` below XDG_STATE_HOME or ~/.local/state (XDG base directories).
    """
    if given := os.environ.get("BENCHD_STATE"):
        return Path(given)
    # systemd separates several folders by colons.
    if given := os.environ.get("STATE_DIRECTORY", "").partition(":")[0]:
        return Path(given)
    if base := os.environ.get("XDG_STATE_HOME"):
        return Path(base) / "benchd"
    return Path(os.path.expanduser("~")) / ".local" / "state" / "benchd"


def write_durably(file: Path, text: str) -> None:
    """Write a whole file so that a power cut leaves the old one or the new one, never half of one.

    Its folder is made where it does not exist. Raises OSError.
    """
    file.parent.mkdir(parents=True, exist_ok=True)
    part = file.with_name(f".{file.name}.{os.getpid()}")
    try:
        with open(part, "w", encoding="utf-8") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(part, file)
    except BaseException:
        with suppress(OSError):
            part.unlink()
        raise
    # The new name must be on the disk too.
    folder = os.open(file.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
