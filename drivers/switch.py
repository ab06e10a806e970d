"""An RF switch that speaks SCPI-1999 (volume 2, ROUTe subsystem)."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import partial
from types import MappingProxyType
from typing import Any, ClassVar

from drivers import parse
from drivers.errors import BadSetting, BadTemplate
from drivers.exchange import Batch, Exchange
from drivers.instrument import Instrument
from drivers.replies import Answer


class ScpiSwitch(Instrument):
    """Words the messages of one switch. Channels are numbers as the instrument counts them.

    Options:
        channel_separator: what stands between the channels of a list (default `,`).
        one_by_one: true for a switch that takes one channel a message (default false).

    A switch that cannot be asked has no `closed_query`; then its state is not verified.
    """

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
    required: ClassVar[frozenset[str]] = frozenset({"close"})
    answers: ClassVar[Mapping[str, Answer]] = MappingProxyType({"closed_query": "states"})
    option_names: ClassVar[tuple[str, ...]] = ("channel_separator", "one_by_one")

    def __init__(
        self,
        name: str,
        commands: Mapping[str, str | None] = MappingProxyType({}),
        options: Mapping[str, Any] = MappingProxyType({}),
    ) -> None:
        super().__init__(name, commands, options)
        self._separator = self._one_separator()
        self._one_by_one = self._yes_or_no("one_by_one")

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
            channels=self._separator.join(map(str, listed)),
        )

    def _moved(self, command: str, channel: int | Sequence[int]) -> Batch:
        listed = [str(one) for one in self._channels(channel)]
        lists = listed if self._one_by_one else [self._separator.join(listed)]
        moved = tuple(
            exchange
            for channels in lists
            for exchange in self._sent(command, radiates=True, channels=channels)
        )
        return (*moved, self.finished()) if self.has("finished") else moved

    def _one_separator(self) -> str:
        given = self.options.get("channel_separator", ",")
        if not isinstance(given, str) or not re.fullmatch(r"[!-/:<-@|~ ]{1,3}", given):
            raise BadTemplate(
                self.name,
                f"option `channel_separator` must be one to three signs other than `;`; found "
                f"{given!r}.",
                key=("options", "channel_separator"),
            )
        return given

    def _yes_or_no(self, option: str) -> bool:
        given = self.options.get(option, False)
        if not isinstance(given, bool):
            raise BadTemplate(
                self.name,
                f"option `{option}` must be true or false; found {given!r}.",
                key=("options", option),
            )
        return given

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
