"""A person who trims an antenna at the virtual bench: files what a look advises, and looks again.

`python -m simulators.trimming` follows one trim session of a daemon over its HTTP API. It answers
the session's requests, files each advised length off the arms over the simulator's control port,
and ends the session where a look says "stop". It hurries no more than a person does: `--pace` says
how many seconds each piece of work takes.
"""

from __future__ import annotations

import argparse
import json
import time
import urllib.error
import urllib.request
from typing import Any

from simulators.person import PATIENCE_S, POLL_S, Do, control_port

_STRAIGHT = urllib.request.build_opener(urllib.request.ProxyHandler({}))
ENDED = ("done", "failed", "withdrawn", "missed")
FILE_MARK_M = 1e-5
"""What a person can file by: a hundredth of a millimetre (from memory)."""


def trim(daemon: str, do: Do, job: str, pace_s: float) -> float:
    """Do what the session asks until it has ended. Returns what was filed off each arm, metres.

    daemon: its URL. job: the session.
    """
    filed_m = 0.0
    answered: int | None = None
    while True:
        session = _ask(f"{daemon}/api/jobs/{job}/trim")
        hands = session["hands"]
        if session["state"] in ENDED:
            return filed_m
        if session["state"] != "needs-hands" or hands is None or hands["step"] == answered:
            time.sleep(POLL_S)
            continue
        time.sleep(pace_s)
        try:
            filed_m += _answer(daemon, do, session)
        except urllib.error.HTTPError as error:
            if error.code != 409:
                raise
            continue  # it asks for something else by now, or somebody else has answered
        answered = int(hands["step"])


def _answer(daemon: str, do: Do, session: dict[str, Any]) -> float:
    """Answer the request that stands. Returns what was filed off for it, metres."""
    address, step = f"{daemon}/api/jobs/{session['job']}", session["hands"]["step"]
    if not session["hands"].get("look"):
        _ask(f"{address}/ready?step={step}", b"")
        return 0.0
    body: dict[str, Any] = {"step": step}
    by_m = 0.0
    if session["looks"]:
        left = session["looks"][-1]["results"].get("trim_per_arm") or {}
        if left.get("state") != "cut":
            _ask(f"{address}/stop", b"")
            return 0.0
        by_m = round(float(left["next_cut_m"]) / FILE_MARK_M) * FILE_MARK_M
        do("trim", antenna=session["antenna"], by_m=by_m)
        body["removed_mm"] = round(by_m * 1e3, 2)
    _ask(f"{address}/look", json.dumps(body).encode())
    return by_m


def _ask(url: str, body: bytes | None = None) -> Any:
    headers = {"content-type": "application/json"} if body else {}
    request = urllib.request.Request(url, data=body, headers=headers)
    with _STRAIGHT.open(request, timeout=PATIENCE_S) as answer:
        return json.loads(answer.read())


def main() -> None:
    """`python -m simulators.trimming --control HOST:PORT --daemon URL --job JOB [--pace S]`."""
    options = argparse.ArgumentParser(prog="python -m simulators.trimming", description=__doc__)
    options.add_argument("--control", required=True, metavar="HOST:PORT")
    options.add_argument("--daemon", required=True, metavar="URL")
    options.add_argument("--job", required=True, metavar="JOB")
    options.add_argument("--pace", type=float, default=4.0, metavar="S")
    given = options.parse_args()
    host, _, port = given.control.rpartition(":")
    print(json.dumps({"ready": True}), flush=True)
    do = control_port(host, int(port))
    filed_m = trim(given.daemon.rstrip("/"), do, given.job, given.pace)
    print(json.dumps({"filed_m": filed_m}), flush=True)


if __name__ == "__main__":
    main()
