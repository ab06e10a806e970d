"""The control port: the hands of a person at the bench, and of a test that wants trouble.

One JSON object a line, answered by one JSON object a line:

    {"do": "place", "position": "middle", "item": "short"}      -> {"ok": true}
    {"do": "lid", "open": true}
    {"do": "pull", "cable": "sense_cable"}    {"do": "plug", "cable": "sense_cable"}
    {"do": "bend", "cable": "far_cable"}      lay it in another way
    {"do": "reconnect", "position": "mount_a"}
    {"do": "move", "position": "mount_a", "by_m": [-0.02, 0.0, 0.0]}    from its usual place
    {"do": "trim", "antenna": "dipole r3", "by_m": 0.0004}    filed off each arm; it never grows
    {"do": "bond", "bonded": false}           outer conductors joined to the box, or not
    {"do": "people", "walking": true}
    {"do": "connect", "path": "range"}        a bench without a switch: "middle" or "range"
    {"do": "state"}                           -> {"ok": true, "time_s": ..., "rf_on": ..., ...}
    {"do": "truth"}                           -> {"ok": true, "truth": {...}}
    {"do": "fault", "instrument": "analyzer", "mode": "silent", "count": 1, "skip": 0,
     "delay_s": 1.0}                          modes: see simulators.transports.faults
    {"do": "power-cycle", "instrument": "generator"}
    {"do": "disregard", "instrument": "generator", "setting": "level", "pretend": false}
                                              orders are taken and not obeyed; or "everything";
                                              with pretend, queries tell what was ordered
    {"do": "obey", "instrument": "generator"}
    {"do": "freeze", "instrument": "analyzer", "frozen": true}    every reading is the same
    {"do": "triggers", "missed": [3], "extra": [], "jitter_s": 0.0, "delay_s": 0.000002}
                                              of the pulses on trigger cables; also
                                              "cables": [["generator", "analyzer"]], see
                                              simulators.instruments.lists
    {"do": "record", "since_s": 0.0}          -> {"ok": true, "now_s": ..., "record": [...]}:
                                              when RF was on and who heard, see
                                              simulators.radiation_record

What cannot be done is answered {"ok": false, "error": "..."} and changes nothing.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from typing import Any

import numpy as np

from simulators.instruments import Instrument
from simulators.instruments.analyzer import Analyzer
from simulators.transports import Host

_LONGEST_LINE_BYTES = 65536
_MISSING = object()


class ControlError(Exception):
    """A request that cannot be done; the message says why and what could."""


def plain_json(value: object) -> object:
    """Numbers and arrays of numpy as JSON knows them; for `json.dumps(default=...)`."""
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"no JSON for {type(value).__name__}")


class Control:
    """Carries out the requests of the control port; it does not use sockets itself."""

    def __init__(self, host: Host) -> None:
        self._host = host
        self._bench = host.workbench
        self._actions: dict[str, Callable[[dict[str, Any]], dict[str, Any] | None]] = {
            "place": self._place,
            "lid": self._lid,
            "pull": self._pull,
            "plug": self._plug,
            "connect": self._connect,
            "bend": self._bend,
            "reconnect": self._reconnect,
            "move": self._move,
            "trim": self._trim,
            "bond": self._bond,
            "people": self._people,
            "state": lambda request: self._bench.state(),
            "truth": lambda request: {"truth": self._bench.world.truth()},
            "fault": self._fault,
            "power-cycle": self._power_cycle,
            "disregard": self._disregard,
            "obey": lambda request: self._instrument(request).obey(),
            "freeze": self._freeze,
            "triggers": self._triggers,
            "record": self._record,
        }

    def answer(self, line: bytes) -> bytes:
        """The reply line, with its newline, to one request line. Never raises."""
        try:
            reply = {"ok": True, **(self._do(line) or {})}
            return json.dumps(reply, default=plain_json).encode() + b"\n"
        except (ControlError, ValueError, KeyError) as error:
            text = str(error.args[0]) if error.args else type(error).__name__
            return json.dumps({"ok": False, "error": text}).encode() + b"\n"

    def _do(self, line: bytes) -> dict[str, Any] | None:
        try:
            request = json.loads(line)
        except ValueError as error:
            raise ControlError(f"not JSON: {error}") from error
        if not isinstance(request, dict) or not isinstance(request.get("do"), str):
            raise ControlError('expected an object with "do"')
        action = self._actions.get(request["do"])
        if action is None:
            known = ", ".join(self._actions)
            raise ControlError(f"cannot do {request['do']!r}; there are {known}")
        return action(request)

    def _place(self, request: dict[str, Any]) -> None:
        position, item = _text(request, "position"), _text(request, "item")
        self._bench.move(lambda: self._bench.world.place(position, item))

    def _lid(self, request: dict[str, Any]) -> None:
        is_open = _field(request, "open", bool)
        self._bench.move(lambda: self._bench.world.set_lid(is_open))

    def _pull(self, request: dict[str, Any]) -> None:
        cable = _text(request, "cable")
        self._bench.move(lambda: self._bench.world.pull(cable))

    def _plug(self, request: dict[str, Any]) -> None:
        cable = _text(request, "cable")
        self._bench.move(lambda: self._bench.world.plug(cable))

    def _connect(self, request: dict[str, Any]) -> None:
        path = _text(request, "path")
        self._bench.move(lambda: self._bench.world.connect(path))

    def _bend(self, request: dict[str, Any]) -> None:
        cable = _text(request, "cable")
        self._bench.move(lambda: self._bench.world.bend(cable))

    def _reconnect(self, request: dict[str, Any]) -> None:
        position = _text(request, "position")
        self._bench.move(lambda: self._bench.world.reconnect(position))

    def _move(self, request: dict[str, Any]) -> None:
        position, by_m = _text(request, "position"), _field(request, "by_m", list)
        if len(by_m) != 3 or not all(_is_number(one) for one in by_m):
            raise ControlError(f'"by_m" must be three numbers, not {by_m!r}')
        x, y, z = (float(one) for one in by_m)
        self._bench.move(lambda: self._bench.world.move(position, (x, y, z)))

    def _trim(self, request: dict[str, Any]) -> None:
        antenna, by_m = _text(request, "antenna"), _field(request, "by_m", float)
        if not _is_number(by_m):
            raise ControlError(f'"by_m" must be a number, not {by_m!r}')
        self._bench.move(lambda: self._bench.world.trim(antenna, float(by_m)))

    def _bond(self, request: dict[str, Any]) -> None:
        is_bonded = _field(request, "bonded", bool)
        self._bench.move(lambda: self._bench.world.set_bonded(is_bonded))

    def _people(self, request: dict[str, Any]) -> None:
        walking = _field(request, "walking", bool)
        self._bench.move(lambda: self._bench.world.set_people(walking))

    def _fault(self, request: dict[str, Any]) -> None:
        name = _text(request, "instrument")
        if name not in self._host.fronts:
            raise ControlError(f"no instrument {name!r}; there are {', '.join(self._host.fronts)}")
        self._host.fronts[name].fault(
            _text(request, "mode"),
            count=_field(request, "count", int, 1),
            skip=_field(request, "skip", int, 0),
            delay_s=_field(request, "delay_s", float, None),
        )

    def _instrument(self, request: dict[str, Any]) -> Instrument:
        name = _text(request, "instrument")
        if name not in self._bench.instruments:
            known = ", ".join(self._bench.instruments)
            raise ControlError(f"no instrument {name!r}; there are {known}")
        return self._bench.instruments[name]

    def _disregard(self, request: dict[str, Any]) -> None:
        instrument = self._instrument(request)
        pretend = _field(request, "pretend", bool, False)
        instrument.disregard(_text(request, "setting"), pretend=pretend)

    def _freeze(self, request: dict[str, Any]) -> None:
        instrument = self._instrument(request)
        if not isinstance(instrument, Analyzer):
            raise ControlError(f"{instrument.name} is no analyzer")
        instrument.frozen = _field(request, "frozen", bool)

    def _triggers(self, request: dict[str, Any]) -> None:
        bus = self._bench.bus
        numbers = {}
        for key in ("missed", "extra"):
            numbers[key] = _field(request, key, list, sorted(getattr(bus, key)))
            if not all(isinstance(one, int) and one > 0 for one in numbers[key]):
                raise ControlError(f'"{key}" must be numbers of pulses from 1, not {request[key]}')
        delay_s = _field(request, "delay_s", float, bus.delay_s)
        jitter_s = _field(request, "jitter_s", float, bus.jitter_s)
        cables = _field(request, "cables", list, bus.cables)
        known = set(self._bench.instruments)
        if not all(len(one) == 2 and set(one) <= known for one in cables):
            raise ControlError(f'"cables" must be pairs of instruments, not {cables!r}')
        if not (0.0 <= delay_s <= 10.0 and 0.0 <= jitter_s <= 10.0):
            raise ControlError("delay and jitter must be between 0 and 10 s")
        bus.missed, bus.extra = set(numbers["missed"]), set(numbers["extra"])
        bus.cables = [(sender, receiver) for sender, receiver in cables]
        bus.delay_s, bus.jitter_s = float(delay_s), float(jitter_s)

    def _record(self, request: dict[str, Any]) -> dict[str, Any]:
        record = self._bench.record
        since_s = _field(request, "since_s", float, 0.0)
        return {"now_s": record.now_s(), "record": record.entries(since_s)}

    def _power_cycle(self, request: dict[str, Any]) -> None:
        name = _text(request, "instrument")
        if name not in self._host.fronts:
            raise ControlError(f"no instrument {name!r}; there are {', '.join(self._host.fronts)}")
        front = self._host.fronts[name]
        front.stop()
        self._bench.instruments[name].power_cycle()
        front.restart()


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and value == value


def _text(request: dict[str, Any], key: str) -> str:
    return str(_field(request, key, str))


def _field(request: dict[str, Any], key: str, kind: type, default: Any = _MISSING) -> Any:
    value = request.get(key, default)
    if value is _MISSING:
        raise ControlError(f'"{request["do"]}" needs "{key}"')
    if value is default or isinstance(value, kind) or (kind is float and isinstance(value, int)):
        return value
    raise ControlError(f'"{key}" must be a {kind.__name__}, not {value!r}')


async def serve_control(control: Control, host: str, port: int) -> asyncio.Server:
    """Listen for control requests; any number of clients, each answered in order."""

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while line := await reader.readline():
                writer.write(control.answer(line))
                await writer.drain()
        except (ValueError, ConnectionError):
            # The line was too long, or the client has gone: no answer is sent.
            pass
        finally:
            writer.close()

    return await asyncio.start_server(talk, host, port, limit=_LONGEST_LINE_BYTES)
