"""An RF switch that speaks SCPI-1999 (volume 2, ROUTe subsystem)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from types import MappingProxyType
from typing import ClassVar

from drivers import parse
from drivers.errors import BadSetting
from drivers.exchange import Batch, Exchange
from drivers.instrument import Instrument


class ScpiSwitch(Instrument):
    """Words the messages of one switch. Channels are numbers as the instrument counts them."""

    kind: ClassVar[str] = "switch"
    templates: ClassVar[Mapping[str, str]] = MappingProxyType(
        {
            "close": ":ROUT:CLOS (@{channels})",
            "open": ":ROUT:OPEN (@{channels})",
            "closed_query": ":ROUT:CLOS? (@{channels})",
        }
    )
    parameters: ClassVar[Mapping[str, Mapping[str, type]]] = MappingProxyType(
        {
            "close": {"channels": str},
            "open": {"channels": str},
            "closed_query": {"channels": str},
        }
    )
    required: ClassVar[frozenset[str]] = frozenset({"close", "closed_query"})

    def close(self, channel: int | Sequence[int]) -> Batch:
        """Close channels and wait until the contacts rest. Never sent twice by a recovery."""
        return self._moved("close", channel)

    def open(self, channel: int | Sequence[int]) -> Batch:
        """Open channels and wait until the contacts rest. Never sent twice by a recovery."""
        return self._moved("open", channel)

    def closed_query(self, channels: int | Sequence[int]) -> Exchange:
        """Which of the channels are closed: a tuple of bool in the order asked."""
        listed = self._channels(channels)
        return self._query(
            "closed_query",
            partial(parse.flags, count=len(listed)),
            channels=",".join(map(str, listed)),
        )

    def _moved(self, command: str, channel: int | Sequence[int]) -> Batch:
        channels = ",".join(map(str, self._channels(channel)))
        moved = self._sent(command, radiates=True, channels=channels)
        return (*moved, self.finished()) if self.has("finished") else moved

    def _channels(self, channel: int | Sequence[int]) -> tuple[int, ...]:
        channels = (channel,) if isinstance(channel, int) else tuple(channel)
        if not channels:
            raise BadSetting(self.name, "needs at least one channel")
        for number in channels:
            if type(number) is not int or not 0 <= number <= 999_999:
                raise BadSetting(
                    self.name, f"a channel is a whole number from 0 to 999999; found {number!r}"
                )
        return channels
