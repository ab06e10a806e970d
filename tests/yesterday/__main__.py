"""`python -m tests.yesterday record FOLDER | compare | accept`.

record: run the recipes on the virtual benches and leave their databases in FOLDER.
compare: reduce the kept databases again; say what differs from what was stored then.
accept: write today's differences to `changed.json`, where a change of the statistics means them.
    Say in the commit which change it was, and why the new numbers are better.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.yesterday.again import BENCHES, CHANGED, CURVES, Again, by_name, differing, gist
from tests.yesterday.record import record


def compare(within: float) -> tuple[dict[str, Any], dict[str, list[float]]]:
    """What differs by more than a share of its size, and every curve's gist."""
    changed: dict[str, Any] = {}
    curves: dict[str, list[float]] = {}
    for bench in BENCHES:
        with tempfile.TemporaryDirectory() as folder:
            again = Again.opened(bench, Path(folder))
            with again.store:
                for job in again.jobs():
                    records, _, traces = again.reduced(job.id)
                    then, now = by_name(job, again.stored(job.id)), by_name(job, records)
                    changed |= differing(then, now, within=within)
                    curves |= {f"{job.id} {curve.name}": gist(curve) for curve in traces}
                    print(f"{bench} {job.recipe}: {len(now)} results", flush=True)
    return changed, curves


def main(arguments: list[str]) -> None:
    """Do what the first argument says."""
    match arguments:
        case ["record", folder]:
            record(Path(folder))
        case ["compare"]:
            changed, _ = compare(0.0)
            for name, fields in changed.items():
                print(name, fields if isinstance(fields, str) else ", ".join(fields))
            print(f"{len(changed)} results are not the same bit for bit.")
        case ["accept"]:
            changed, curves = compare(1e-9)
            CHANGED.write_text(json.dumps(changed, indent=1, sort_keys=True) + "\n", "utf-8")
            CURVES.write_text(json.dumps(curves, indent=1, sort_keys=True) + "\n", "utf-8")
            print(f"{len(changed)} results of {CHANGED.name} differ from what was stored.")
        case _:
            sys.exit(__doc__)


if __name__ == "__main__":
    main(sys.argv[1:])
