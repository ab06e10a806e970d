"""The commands. They compose the other rooms and hold no logic of the bench.

Nothing is imported here: `benchd rf-off` and the first act of `benchd serve` must not wait for,
or fail over, anything they do not need.
"""

from __future__ import annotations

import atexit
import gc
import sys
from collections.abc import Sequence

NEW_OBJECTS = 50_000
"""So many new objects may pile up before Python looks for garbage among them.

While benchd is loaded nearly nothing is garbage, and looking for it after each 700 objects, as
Python does by itself, takes a quarter of the start.
"""


def main(arguments: Sequence[str] | None = None) -> None:
    """Entry point of `benchd`. Always ends by SystemExit.

    0: done. 1: refused or failed, with the reason on stderr. 2: the command line is wrong.
    3: RF is not verified off, so that somebody must look at the source.
    """
    given = list(sys.argv[1:] if arguments is None else arguments)
    gc.set_threshold(NEW_OBJECTS)
    atexit.register(gc.freeze)  # at the end everything goes, garbage or not
    if given[:1] == ["rf-off"]:
        _rf_off_at_once(given[1:])
    if given[:1] == ["serve"] and not {"--help", "-h"} & set(given):
        _serve(given)
    _run(given)


def _rf_off_at_once(arguments: Sequence[str]) -> None:
    from benchd.cli.quick_rf_off import quick_options, run

    options = quick_options(arguments)
    if options is not None:
        sys.exit(run(options))


def _serve(arguments: Sequence[str]) -> None:
    """RF off first; whatever then ends the start in failure, say whether RF is off."""
    from benchd.rfoff import start

    start.begin(arguments[1:])
    ended_well = False
    try:
        _run(arguments)
    except SystemExit as end:
        ended_well = not end.code
        raise
    finally:
        if not ended_well:
            start.say_how_rf_stands()


def _run(arguments: Sequence[str]) -> None:
    from benchd.cli.app import run
    from benchd.errors import BenchdError, RfNotVerified
    from benchd.untrusted import is_clean_text

    given = list(arguments)
    for number, argument in enumerate(given, 1):
        if not is_clean_text(argument):
            shown = argument.encode("utf-8", "backslashreplace").decode()
            print(f"benchd: argument {number} is not UTF-8 text: {shown[:100]}", file=sys.stderr)
            sys.exit(2)
    try:
        run(given)
    except BenchdError as error:
        from benchd.cli.rf import RF_NOT_VERIFIED
        from benchd.cli.screen import print_error

        print_error(error)
        sys.exit(RF_NOT_VERIFIED if isinstance(error, RfNotVerified) else 1)
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
        sys.exit(1)
