"""What all simulated instruments share: settings, common commands, status, error queue, state."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from simulators.instruments.clock import SimulatedClock
from simulators.instruments.dialect import Dialect
from simulators.instruments.settings import NumberSetting, Setting, Value
from simulators.radiation_record import HEARS, Record
from simulators.scpi import (
    BlockData,
    Command,
    CommandTable,
    Keyword,
    Number,
    Parameter,
    ScpiError,
    Status,
    Wait,
    encode_block,
)
from simulators.scpi.commands import Reply
from simulators.scpi.parameters import Limit
from simulators.scpi.status import OPERATION_COMPLETE, POWER_ON, Register
from simulators.world import InstrumentModel


@dataclass(frozen=True)
class Action:
    """Something an instrument does that is not a setting."""

    run: Callable[..., Reply]
    parameters: tuple[Parameter, ...] = ()
    required: int | None = None


class Instrument:
    """Base of source, analyzer, power meter, switch and box sensors.

    A subclass gives `kind`, `default_settings`, `actions`, and overrides `changed`, `rest`,
    `busy_until_s`, `catch_up` and `state` where it has something to add.
    """

    kind = ""

    def __init__(self, model: InstrumentModel, clock: SimulatedClock, dialect: Dialect) -> None:
        self.model = model
        self.name = model.name
        self.clock = clock
        self.dialect = dialect
        self.latency_s = model.latency_s + dialect.extra_latency_s
        self.reply_end = b"\n"
        self.status = Status()
        self.settings: dict[str, Setting] = {
            name: dialect.adapt(name, setting) for name, setting in self.default_settings().items()
        }
        self.values: dict[str, Value] = {}
        self.settled_s = 0.0
        self._complete_armed = False
        self._user_data = b""
        self.record = Record()
        self._disregarded: dict[str, bool] = {}
        self._pretended: dict[str, Value] = {}
        self.reset_values()
        self.table = CommandTable([*self._common(), *self._from_dialect()])

    # -- for subclasses ---------------------------------------------------------------------

    def default_settings(self) -> Mapping[str, Setting]:
        """Every setting by name, with limits from the world file."""
        return {}

    def actions(self) -> Mapping[str, Action]:
        """Every action by name."""
        return {}

    def changed(self, name: str) -> None:
        """A setting has a new value."""

    def rest(self) -> None:
        """Stop whatever runs and go to the state after `*RST`; values are reset already."""

    def busy_until_s(self) -> float:
        """When everything started so far will be finished, simulated seconds."""
        return self.settled_s

    def catch_up(self, now_s: float) -> None:
        """Carry out everything that was due up to now."""

    def prepare(self, at_s: float) -> None:
        """Work out what is likely to be asked for at a time, simulated seconds.

        Called while a client waits and there is time. It changes nothing that anybody can see.
        """

    def state(self) -> dict[str, Any]:
        """What the control port tells of this instrument; JSON-able."""
        return {
            "kind": self.kind,
            "identity": self.model.identity,
            "settings": dict(self.values),
            "errors": self.status.errors.texts(),
        }

    # -- for everyone -----------------------------------------------------------------------

    def number(self, name: str) -> float:
        """Present value of a number setting."""
        return float(self.values[name])

    def assign(self, name: str, value: Any) -> None:
        """Set a value. Everything that was due up to now is first carried out with the old one.

        Raises:
            ScpiError: -222 outside its limits, and what `changed` refuses; the old value stays.
        """
        self.catch_up(self.clock.now_s())
        before = dict(self.values)
        checked = self.settings[name].check(value)
        if name in self._disregarded:
            if self._disregarded[name]:
                self._pretended[name] = checked
            return
        self.values[name] = checked
        try:
            self.changed(name)
        except ScpiError:
            self.values = before
            raise

    def disregard(self, name: str, *, pretend: bool) -> None:
        """From now on accept commands about a setting, or "everything", without obeying them.

        pretend: queries then return the ordered value, not the real one.

        Raises:
            ValueError: there is no such setting.
        """
        names = list(self.settings) if name == "everything" else [name]
        if not set(names) <= set(self.settings):
            known = ", ".join(self.settings)
            raise ValueError(f"no setting {name!r}; there are everything, {known}")
        self._disregarded |= dict.fromkeys(names, pretend)
        if "output" in names:
            self.record.note(self.name, HEARS, False)

    def obey(self) -> None:
        """Obey commands again, from the next one on."""
        self._disregarded.clear()
        self._pretended.clear()
        self.record.note(self.name, HEARS, True)

    def reset_values(self) -> None:
        """All settings to their defaults, without telling anyone."""
        kept = {name: self.values[name] for name in self._disregarded}
        self.values = {name: setting.default for name, setting in self.settings.items()}
        for name, setting in self.settings.items():
            if isinstance(setting, NumberSetting) and setting.whole:
                self.values[name] = round(setting.default)
        self._pretended.clear()
        self.values |= kept

    def power_cycle(self) -> None:
        """As after the mains switch: everything at its default, the power-on event set."""
        self.obey()
        self.reset_values()
        self.settled_s = self.clock.now_s()
        self.rest()
        self.status = Status(event=POWER_ON)
        self._complete_armed = False

    def settle(self, duration_s: float) -> None:
        """Be busy for at least this long from now on."""
        self.settled_s = max(self.settled_s, self.clock.now_s() + duration_s)

    # -- commands every instrument has ------------------------------------------------------

    def _common(self) -> list[Command]:
        """IEEE 488.2-1992 chapter 10."""
        number = (Number(),)
        return [
            Command("*IDN?", lambda: self.model.identity),
            Command("*RST", self._reset),
            Command("*CLS", self._clear_status),
            Command("*OPC", self._arm_complete),
            Command("*OPC?", lambda: self._wait_until_done() or "1"),
            Command("*WAI", self._wait_until_done),
            Command("*TST?", lambda: self._wait_until_done() or "0"),
            Command("*ESR?", self._read_event),
            Command("*ESE", partial(self._mask, "event_enable"), number),
            Command("*ESE?", lambda: str(self.status.event_enable)),
            Command("*SRE", partial(self._mask, "service_enable"), number),
            Command("*SRE?", lambda: str(self.status.service_enable)),
            Command("*STB?", lambda: str(self.status_byte(message_available=False))),
            Command("*PUD", self._store_user_data, (BlockData(),)),
            Command("*PUD?", lambda: encode_block(self._user_data)),
        ]

    def standard_actions(self) -> dict[str, Action]:
        """Actions of every kind, which a dialect may give any header."""
        found = {
            "next error": Action(lambda: self.status.errors.pop()),
            "all errors": Action(lambda: self.status.errors.drain()),
            "error count": Action(lambda: str(len(self.status.errors))),
            "version": Action(lambda: "1999.0"),
            "status preset": Action(lambda: self.status.preset()),
        }
        for name in ("questionable", "operation"):
            found |= {
                f"{name} event": Action(partial(self._event_of, name)),
                f"{name} condition": Action(partial(self._condition_of, name)),
                f"{name} enable": Action(partial(self._enable, name), (Number(),)),
                f"{name} enabled": Action(partial(self._enabled, name)),
            }
        return found

    def _from_dialect(self) -> list[Command]:
        commands = []
        for pattern, name in self.dialect.settings.items():
            setting = self.settings[name]
            commands.append(Command(pattern, partial(self.assign, name), (setting.parameter(),)))
            limit: tuple[Parameter, ...] = (Limit(),) if isinstance(setting, NumberSetting) else ()
            query = partial(self._query, pattern, name)
            commands.append(Command(f"{pattern}?", query, limit, required=0))
        known = self.standard_actions() | dict(self.actions())
        for pattern, name in self.dialect.actions.items():
            action = known[name]
            commands.append(Command(pattern, action.run, action.parameters, action.required))
        return commands

    def _query(self, pattern: str, name: str, limit: Keyword | None = None) -> str:
        setting = self.settings[name]
        value = self._pretended.get(name, self.values[name])
        if limit is not None and isinstance(setting, NumberSetting):
            value = setting.limit(limit)
        return self.dialect.text(pattern, setting, value)

    def _wait_until_done(self) -> Wait | None:
        until_s = self.busy_until_s()
        return Wait(until_s) if until_s > self.clock.now_s() else None

    def _reset(self) -> None:
        self.reset_values()
        self.settled_s = self.clock.now_s()
        self._complete_armed = False
        self.rest()

    def _clear_status(self) -> None:
        self.status.clear()
        self._complete_armed = False

    def _arm_complete(self) -> None:
        self._complete_armed = True
        self._note_complete()

    def _note_complete(self) -> None:
        """Set the operation-complete event once nothing is pending (IEEE 488.2, 10.18)."""
        if self._complete_armed and self.busy_until_s() <= self.clock.now_s():
            self.status.event |= OPERATION_COMPLETE
            self._complete_armed = False

    def _read_event(self) -> str:
        self._note_complete()
        return str(self.status.read_event())

    def status_byte(self, *, message_available: bool) -> int:
        """The status byte as `*STB?` and a serial poll report it."""
        now_s = self.clock.now_s()
        self.catch_up(now_s)
        self._note_complete()
        return self.status.byte(message_available=message_available)

    def _mask(self, name: str, value: float | Keyword) -> None:
        setattr(self.status, name, self._mask_value(255, value))

    def _mask_value(self, largest: int, value: float | Keyword) -> int:
        if isinstance(value, Keyword) or not 0 <= value <= largest:
            raise ScpiError(-222, f"expected 0 to {largest}")
        return round(value)

    def _register(self, name: str) -> Register:
        return self.status.questionable if name == "questionable" else self.status.operation

    def _event_of(self, name: str) -> str:
        self.catch_up(self.clock.now_s())
        return str(self._register(name).read_event())

    def _condition_of(self, name: str) -> str:
        self.catch_up(self.clock.now_s())
        return str(self._register(name).condition)

    def _enable(self, name: str, value: float | Keyword) -> None:
        self._register(name).enable = self._mask_value(32767, value)

    def _enabled(self, name: str) -> str:
        return str(self._register(name).enable)

    def _store_user_data(self, payload: bytes) -> None:
        self._user_data = payload
