"""The commands. They compose the other rooms and hold no logic of the bench."""

from __future__ import annotations

import sys
from collections.abc import Sequence


def main(arguments: Sequence[str] | None = None) -> None:
    """Entry point of `benchd`. Always ends by SystemExit.

    0: done. 1: refused or failed, with the reason on stderr. 2: the command line is wrong.
    """
    from benchd.cli.app import app
    from benchd.cli.screen import print_error
    from benchd.errors import BenchdError

    try:
        app(args=None if arguments is None else list(arguments), prog_name="benchd")
    except BenchdError as error:
        print_error(error)
        sys.exit(1)
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
        sys.exit(1)
