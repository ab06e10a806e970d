"""A person at the virtual bench: reads what a recipe asks for, and does it.

The shipped qualification recipes ask for hands many times over. This stands in for them where
nobody is there: `python -m simulators.person` watches a daemon over its HTTP API and moves,
fits, bends and opens over the simulator's control port, as the words of the request say. It is no
part of a measurement: a real bench has a real person.
"""

from __future__ import annotations

import argparse
import json
import re
import socket
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from typing import Any

STEP_M = 0.026
"""The step of `reflectivity` that this person measures with the ruler; queue it as `26 mm`."""

POLL_S = 0.03
PATIENCE_S = 60.0

Do = Callable[..., Any]
"""One order to the control port: its verb, and what goes with it."""


class UnknownRequest(ValueError):
    """A recipe asks for something that this person has not learnt."""


def act(do: Do, recipe: str, ask: str) -> None:
    """Do what a request of a shipped recipe asks. Raises UnknownRequest for other recipes."""
    try:
        doing = _DOING[recipe]
    except KeyError:
        known = ", ".join(_DOING)
        raise UnknownRequest(f"this person knows {known}, not {recipe}: {ask}") from None
    doing(do, ask)


def at_rest(do: Do, path: str = "range") -> None:
    """Everything in its usual place, the lid closed, nobody near the box."""
    do("connect", path=path)
    for position in ("near_end", "mount_a"):
        do("move", position=position, by_m=[0.0, 0.0, 0.0])
    do("lid", open=False)
    do("people", walking=False)


def _still(do: Do, ask: str) -> None:
    if "Join the range cable" in ask:
        at_rest(do)
    else:
        do("people", walking=True)
        do("lid", open="Open the lid" in ask)


def _moved(do: Do, ask: str) -> None:
    place = re.search(r"Place (\d+) of (\d+) (along|across)", ask)
    if place is None:
        at_rest(do)
        return
    turn, places = int(place[1]) - 1, int(place[2])
    aside_m = (turn - (places - 1) / 2) * STEP_M
    along = place[3] == "along"
    do(
        "move",
        position="mount_a",
        by_m=[-turn * STEP_M, 0.0, 0.0] if along else [0.0, aside_m, 0.0],
    )


def _outside(do: Do, ask: str) -> None:
    if "Join the range cable" in ask or "back to their places" in ask:
        at_rest(do)
        return
    if "before the lid, turned" in ask:
        do("move", position="mount_a", by_m=[-0.2, 0.9, 0.0])
    elif "before the seam" in ask:
        do("move", position="mount_a", by_m=[-0.2, 0.8, 0.4])
    elif "The reverse" in ask:
        do("move", position="mount_a", by_m=[0.0, 0.0, 0.0])
        do("move", position="near_end", by_m=[0.2, 0.9, 0.0])
    do("lid", open="pen the lid" in ask)


def _bonded(do: Do, ask: str) -> None:
    if "Join the cables" in ask:
        at_rest(do)
    else:
        # Opening and closing a bond moves the cable a little.
        do("bend", cable="far_cable")
        do("bond", bonded="bonded" in ask)


def _joined(do: Do, ask: str) -> None:
    if ask.startswith("Reconnection"):
        do("reconnect", position="mount_a")
    elif ask.startswith("Bend"):
        do("bend", cable="far_cable")
    else:
        at_rest(do)


def _standards(do: Do, ask: str) -> None:
    fitted = re.search(r"Fit the (open|short|load) to", ask)
    if fitted:
        do("place", position="middle", item=fitted[1])
    elif "Take the load off" in ask:
        do("place", position="middle", item="load")
    elif "behind the piece of line" in ask:
        do("place", position="middle", item="offset short")
    else:
        at_rest(do, "middle")
        do("place", position="middle", item="short")


def _fitted(do: Do, ask: str) -> None:
    fitted = re.search(r"Fit the (open|short) where", ask)
    if fitted:
        do("place", position="middle", item=fitted[1])
    do("lid", open=False)


_DOING: dict[str, Callable[[Do, str], None]] = {
    "coupler": _standards,
    "drift": _standards,
    "grounding": _bonded,
    "leakage": _outside,
    "reflectivity": _moved,
    "repeatability": _joined,
    "stillness": _still,
    "trim-session": _fitted,
}


def control_port(host: str, port: int) -> Do:
    """Orders over the control port of a running simulator; an order that fails raises."""

    def do(verb: str, **details: Any) -> dict[str, Any]:
        with socket.create_connection((host, port), timeout=PATIENCE_S) as line:
            line.sendall(json.dumps({"do": verb, **details}).encode() + b"\n")
            with line.makefile() as reader:
                answer: dict[str, Any] = json.loads(reader.readline())
        if not answer["ok"]:
            raise ValueError(f"{verb}: {answer['error']}")
        return answer

    return do


_STRAIGHT = urllib.request.build_opener(urllib.request.ProxyHandler({}))
"""The daemon is on this machine: no proxy of the environment stands between."""


def _ask(url: str, body: bytes | None = None) -> Any:
    asked = urllib.request.Request(url, data=body)
    if body:
        asked.add_header("content-type", "application/json")
    with _STRAIGHT.open(asked, timeout=PATIENCE_S) as answer:
        return json.loads(answer.read())


def trim(daemon: str, do: Do, job: dict[str, Any]) -> None:
    """File off what the last look of a trim session advised, and look again; stop when it says so.

    Raises HTTPError where the session asks for nothing any more.
    """
    session = _ask(f"{daemon}/api/jobs/{job['id']}/trim")
    body: dict[str, Any] = {"step": job["hands"]["step"]}
    if session["looks"]:
        left = session["looks"][-1]["results"].get("trim_per_arm", {"state": "stop"})
        if left["state"] != "cut":
            _ask(f"{daemon}/api/jobs/{job['id']}/stop", b"")
            return
        # A person reads hundredths of a millimetre, and files no more than was advised.
        body["removed_mm"] = int(left["next_cut_m"] * 1e5) / 100.0
        do("trim", antenna=session["antenna"], by_m=body["removed_mm"] / 1e3)
    do("lid", open=False)
    _ask(f"{daemon}/api/jobs/{job['id']}/look", json.dumps(body).encode())


def obey(daemon: str, do: Do) -> None:
    """Answer every request of the daemon's jobs until the daemon is gone."""
    while True:
        try:
            for job in _ask(f"{daemon}/api/jobs?state=needs-hands"):
                if job["hands"].get("look"):
                    trim(daemon, do, job)
                    continue
                act(do, job["recipe"], job["hands"]["ask"])
                _ask(f"{daemon}/api/jobs/{job['id']}/ready?step={job['hands']['step']}", b"")
        except urllib.error.HTTPError:
            pass  # the job was withdrawn meanwhile, or asks for something else by now
        except (urllib.error.URLError, ConnectionError):
            return
        time.sleep(POLL_S)


def main() -> None:
    """`python -m simulators.person --control HOST:PORT --daemon URL`."""
    options = argparse.ArgumentParser(prog="python -m simulators.person", description=__doc__)
    options.add_argument("--control", required=True, metavar="HOST:PORT")
    options.add_argument("--daemon", required=True, metavar="URL")
    given = options.parse_args()
    host, _, port = given.control.rpartition(":")
    print(json.dumps({"ready": True}), flush=True)
    obey(given.daemon.rstrip("/"), control_port(host, int(port)))


if __name__ == "__main__":
    main()
