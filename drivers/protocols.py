"""The methods that a driver of each kind must have, as protocols. Pure.

benchd's procedures call these methods and no others. Every driver is checked against the protocol
of its kind when the bench file is read. A missing method is then reported with its line in the
file, and does not become a fault while RF is on. Methods that only some sweeps need (`FreeRunning`,
`Sweeping`, `Tracking`, `Listing`) are checked when a sweep, or a key of the bench file, needs them.
"""

from __future__ import annotations

import inspect
from collections.abc import Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Any, Protocol

from drivers.exchange import Batch, Exchange
from drivers.lists import TriggeredBy
from drivers.readback import Setting


class Radiating(Protocol):
    """An output that must always be possible to switch off, and to ask about."""

    @property
    def can_tell_rf(self) -> bool: ...
    def rf_off(self) -> Batch: ...
    def rf_query(self) -> Exchange: ...
    def least_level(self, level_dbm: float, /) -> Batch: ...


class Source(Radiating, Protocol):
    """A signal source."""

    def rf_on(self) -> Batch: ...
    def set_level(self, level_dbm: float, /) -> Exchange: ...
    def level_setting(self, level_dbm: float, /) -> Setting | None: ...
    def set_frequency_settled(self, frequency_hz: float, /) -> Exchange: ...
    def frequency_setting(self, frequency_hz: float, /) -> Setting | None: ...


class FreeRunning(Protocol):
    """A source that steps over a band by itself, for sweeps of the method `hold`."""

    def free_run(
        self, start_hz: float, stop_hz: float, points: int, dwell_s: float, /
    ) -> Batch: ...
    def free_run_stop(self) -> Batch: ...


class Analyzer(Protocol):
    """A receiver that reads the level at one frequency after another."""

    def prepare_point_mode(
        self,
        *,
        resolution_bandwidth_hz: float,
        video_bandwidth_hz: float | None,
        detector: str,
        dwell_s: float,
        reference_level_dbm: float | None,
        attenuation_db: float | None,
    ) -> Batch: ...
    def set_centre(self, centre_hz: float, /) -> Exchange: ...
    def set_centre_settled(self, centre_hz: float, /) -> Exchange: ...
    def trigger_point(self) -> Exchange: ...


class PowerMeter(Analyzer, Protocol):
    """A power meter in the place of an analyzer, point by point."""

    def zero(self, timeout_s: float) -> Exchange: ...


class Sweeping(Protocol):
    """An analyzer that takes whole traces, for `hold` and `tracking`."""

    def prepare_sweep(
        self,
        *,
        start_hz: float,
        stop_hz: float,
        points: int,
        resolution_bandwidth_hz: float,
        video_bandwidth_hz: float | None,
        detector: str,
        sweep_time_s: float | None,
        reference_level_dbm: float | None,
        attenuation_db: float | None,
        max_hold: bool,
    ) -> Batch: ...
    def continuous(self, on: bool, /) -> Batch: ...
    def single_sweep(self, timeout_s: float) -> Exchange: ...
    def fetch_trace(self, points: int, /) -> Exchange: ...


class Tracking(Radiating, Protocol):
    """An analyzer with an output of its own that follows where it is tuned."""

    def tracking_level(self, level_dbm: float, /) -> Batch: ...
    def tracking_level_setting(self, level_dbm: float, /) -> Setting | None: ...
    def tracking_on(self, level_dbm: float, /) -> Batch: ...
    def tracking_off(self) -> Batch: ...


class Listing(Protocol):
    """A source that steps through a list of frequencies by trigger."""

    def list_load(self, frequencies_hz: Sequence[float], /) -> Exchange: ...
    def list_points(self) -> Exchange: ...
    def list_set(self, dwell_s: float, triggered_by: TriggeredBy, delay_s: float, /) -> Batch: ...
    def list_start(self) -> Batch: ...
    def list_next(self, timeout_s: float) -> Exchange: ...
    def list_abort(self) -> Batch: ...
    def list_leave(self) -> Batch: ...
    def list_running(self) -> Exchange: ...
    def list_place(self) -> Exchange: ...


class ReadingLists(Listing, Protocol):
    """An analyzer that does so and keeps all its readings until they are fetched."""

    def list_fetch(self, points: int, /) -> Exchange: ...


class Switch(Protocol):
    """An RF switch."""

    def close(self, channels: Sequence[int], /) -> Batch: ...


class Lid(Protocol):
    """A contact that tells whether the box is open."""

    def open_query(self) -> Exchange: ...


class Thermometer(Protocol):
    """Tells a temperature."""

    def temperature_query(self) -> Exchange: ...


KINDS: Mapping[str, type] = MappingProxyType(
    {
        "source": Source,
        "analyzer": Analyzer,
        "power-meter": PowerMeter,
        "switch": Switch,
        "lid": Lid,
        "thermometer": Thermometer,
    }
)
"""The protocol of each kind of instrument."""

METHODS: Mapping[tuple[str, str], tuple[type, ...]] = MappingProxyType(
    {
        ("source", "hold"): (FreeRunning,),
        ("analyzer", "hold"): (Sweeping,),
        ("analyzer", "tracking"): (Sweeping, Tracking),
        ("analyzer", "traces"): (Sweeping,),
        ("source", "lists"): (Listing,),
        ("source", "lists by command"): (Listing,),
        ("analyzer", "lists"): (ReadingLists,),
        ("analyzer", "lists by command"): (ReadingLists,),
    }
)
"""What a driver of a kind must do besides for a purpose, such as a sweep method."""


def missing(driver: type, protocol: type) -> Iterator[str]:
    """What a driver lacks of a protocol: methods that are not there, or that take other values.

    Each as a person would say it, such as `set_level`, or `free_run, which cannot take (start_hz,
    stop_hz)`.
    """
    for name, wanted in _members(protocol):
        found = inspect.getattr_static(driver, name, None)
        if found is None:
            yield f"`{name}`"
        elif not isinstance(wanted, property):
            if not callable(getattr(driver, name)):
                yield f"`{name}`, which is no method"
            elif not _takes(getattr(driver, name), wanted):
                values = [*inspect.signature(wanted).parameters][1:]
                yield f"`{name}`, which cannot be given ({', '.join(values)})"


def _members(protocol: type) -> Iterator[tuple[str, Any]]:
    for ancestor in reversed(protocol.__mro__):
        if getattr(ancestor, "_is_protocol", False) and ancestor is not Protocol:
            for name, wanted in vars(ancestor).items():
                if not name.startswith("_"):
                    yield name, wanted


def _takes(method: Any, wanted: Any) -> bool:
    """Whether a method can be called as the protocol's is."""
    positional: list[None] = []
    named: dict[str, None] = {}
    for name, parameter in inspect.signature(wanted).parameters.items():
        if parameter.kind is inspect.Parameter.POSITIONAL_ONLY or name == "self":
            positional.append(None)
        else:
            named[name] = None
    try:
        inspect.signature(method).bind(*positional, **named)
    except TypeError:
        return False
    # Python cannot show the signature of some methods; those are taken to be right.
    except ValueError:
        return True
    return True
