"""The base of all drivers: messages, identity, error queue, confirmation. Pure: no I/O here.

A driver builds messages and defines how their replies are read. Its commands are templates that the
bench file may override by name (`commands:`), and it may have options (`options:`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from types import MappingProxyType
from typing import Any, ClassVar

from drivers import parse
from drivers.errors import BadSetting, BadTemplate, Refused
from drivers.exchange import Batch, Exchange, Procedure, Reply
from drivers.parse import InstrumentError
from drivers.readback import LEVEL_STEP_DB, Setting, shown_level
from drivers.replies import UNNUMBERED, Answer, ReplyForm, compile_replies
from drivers.templates import Command, compile_commands, nearest
from drivers.wording_check import wrong_wordings

MOST_QUEUED_ERRORS = 32


class Instrument:
    """Base of the drivers.

    name: the instrument's name in the bench file.
    commands: templates that replace the driver's own, by command name; None or "" removes an
        optional one.
    options: settings of the driver; which ones exist is written in each driver. All drivers know
        `reply_style`: `bare` (default, `1.7E9`) or `headed` (`FREQUENCY 1.7E9 HZ`), and
        `replies`: forms of single replies (`drivers.replies`), and
        `list`: whether the bench file describes it as stepping through lists (`drivers.lists`).

    Raises BadTemplate for commands and options that cannot be used.
    """

    kind: ClassVar[str] = ""
    templates: ClassVar[Mapping[str, str]] = MappingProxyType({})
    parameters: ClassVar[Mapping[str, Mapping[str, type]]] = MappingProxyType({})
    required: ClassVar[frozenset[str]] = frozenset()
    """Commands that are needed for any use of the instrument. Commands that only one sweep method
    needs are in `needed_for`; those that benchd never sends are in neither."""

    option_names: ClassVar[tuple[str, ...]] = ()

    bare_replies: ClassVar[frozenset[str]] = frozenset()
    answers: ClassVar[Mapping[str, Answer]] = MappingProxyType({})
    """The kind of reply to each query of the driver; see `drivers.replies`."""

    needed_for: ClassVar[Mapping[str, frozenset[str]]] = MappingProxyType({})
    """Purpose, such as a sweep method -> commands that a bench file must not remove for it."""

    _common: ClassVar[Mapping[str, str]] = MappingProxyType(
        {
            "identify": "*IDN?",
            "next_error": ":SYST:ERR?",
            "clear": "*CLS",
            "reset": "*RST",
            "finished": "*OPC?",
        }
    )
    _common_answers: ClassVar[Mapping[str, Answer]] = MappingProxyType(
        {"identify": "text", "next_error": "error", "finished": "done"}
    )

    def __init__(
        self,
        name: str,
        commands: Mapping[str, str | None] = MappingProxyType({}),
        options: Mapping[str, Any] = MappingProxyType({}),
    ) -> None:
        self.name = name
        self.options = dict(options)
        self._reworded = frozenset(commands)
        for option in self.options:
            self._check_option_name(option)
        self._headed = self._choice("reply_style", "bare", ("bare", "headed")) == "headed"
        self._replies = compile_replies(
            name, {**self._common_answers, **self.answers}, self.options.get("replies", {})
        )
        self._commands = self._compiled(commands)

    @property
    def identity_question(self) -> str | None:
        """The query for its identity; None for an instrument without one."""
        command = self._commands["identify"]
        return None if command is None else command.text()

    def identify(self) -> Exchange:
        """`*IDN?`; the value is the identity as text."""
        return self._query("identify", parse.identity)

    def next_error(self) -> Exchange:
        """`SYST:ERR?`; the value is an InstrumentError, code 0 when the queue is empty."""
        return self._query("next_error", parse.queue_entry)

    def finished(self, timeout_s: float | None = None) -> Exchange:
        """`*OPC?`; answers True when everything before it has finished."""
        return self._query("finished", parse.done, timeout_s=timeout_s)

    def reset_state(self) -> Batch:
        """Reset the instrument to its maker's settings, empty its error queue, wait for the end.

        If the instrument has no command to ask whether it has finished, this does not wait.
        """
        waited = (self.finished(),) if self.has("finished") else ()
        return (*self._sent("reset"), *self._sent("clear"), *waited)

    def drain_errors(self) -> Procedure[tuple[InstrumentError, ...]]:
        """Read the error queue until it is empty, at most 32 entries; returns them."""
        if not self.has("next_error"):
            return ()
        found: list[InstrumentError] = []
        for _ in range(MOST_QUEUED_ERRORS):
            (entry,) = yield (self.next_error(),)
            if entry.code == 0:
                break
            found.append(entry)
        return tuple(found)

    def confirm(self, batch: Batch) -> Procedure[list[Any]]:
        """Perform a batch and read the error queue after every message.

        Returns the values of the batch. Raises Refused with the first command after which the
        instrument reported an error. Other instruments' exchanges pass unchanged.
        """
        values: list[Any] = []
        for exchange in batch:
            checked = exchange.instrument == self.name and self.has("next_error")
            reply = yield (exchange, self.next_error()) if checked else (exchange,)
            values.append(reply[0])
            if checked and reply[1].code != 0:
                self._raise_refused(reply[1], exchange.message)
        return values

    def expect_no_errors(self, command: str = "") -> Procedure[None]:
        """Drain the error queue; raises Refused if it held anything.

        command: what was being done, for the message; SCPI error texts often name it too.
        """
        found = yield from self.drain_errors()
        if found:
            self._raise_refused(found[0], command, others=found[1:])

    def has(self, command: str) -> bool:
        """Whether this instrument has the command (a bench file may have removed it)."""
        return self._commands.get(command) is not None

    def lacks(self, purpose: str) -> tuple[str, ...]:
        """Commands that are needed for this purpose and that the bench file has removed."""
        needed = self.needed_for.get(purpose, frozenset())
        return tuple(sorted(name for name in needed if not self.has(name)))

    def _compiled(self, overrides: Mapping[str, str | None]) -> dict[str, Command | None]:
        """The commands. Raises BadTemplate for the first fault, which holds the others."""
        own = {**self._common, **self.templates}
        commands, wrong = compile_commands(
            self.name, own, self.parameters, overrides, self.required
        )
        spoiled = {error.key[-1] for error in wrong}
        reworded = frozenset(set(overrides) & set(own) - spoiled)
        answered = frozenset({"identify", *self._replies})
        wrong.extend(wrong_wordings(self.name, own, commands, reworded, answered))
        if wrong:
            wrong[0].also = tuple(wrong[1:])
            raise wrong[0]
        return commands

    def can_ask(self, setting: str, query: str) -> bool:
        """Whether a setting can be asked for. The query must exist. If the bench file rewords the
        setting, it must reword the query too: else the query may not fit the instrument."""
        return self.has(query) and (query in self._reworded or setting not in self._reworded)

    def _raise_refused(
        self, error: InstrumentError, command: str, others: tuple[InstrumentError, ...] = ()
    ) -> None:
        number = "" if error.code == UNNUMBERED else f" {error.code}"
        text = f"reports error{number}: {error.text}"
        if others:
            more = ", ".join(e.text if e.code == UNNUMBERED else str(e.code) for e in others)
            text += f" (and {len(others)} more: {more})"
        raise Refused(self.name, text, command, code=error.code)

    def _command(self, name: str) -> Command:
        command = self._commands[name]
        if command is None:
            raise BadTemplate(
                self.name,
                f"the command `{name}` was removed but is needed here.",
                advice="Give its wording under `commands:` in the bench file.",
            )
        return command

    def _one_number(self, name: str, parameter: str) -> Callable[[float], str]:
        """A quick formatter for a command of one number; it raises BadTemplate where the bench
        file removed the command."""
        if self._commands[name] is None:
            return lambda value: self._command(name).text(**{parameter: value})
        return self._command(name).one_number(parameter)

    def _sent(self, name: str, *, radiates: bool = False, **values: Any) -> Batch:
        """A batch of the one message, or an empty batch where the bench file removed it."""
        command = self._commands[name]
        if command is None:
            return ()
        return (Exchange(self.name, command.text(**values), radiates=radiates),)

    def _query(
        self,
        name: str,
        parser: Callable[[Any], Any],
        *,
        timeout_s: float | None = None,
        **values: Any,
    ) -> Exchange:
        message = self._command(name).text(**values)
        return Exchange(self.name, message, Reply.TEXT, self._reader(name, parser), timeout_s)

    def _settling(self, name: str, message: str, timeout_s: float | None = None) -> Exchange:
        """A setting that the instrument confirms (True) when it has taken effect."""
        return Exchange(self.name, message, Reply.TEXT, self._reader(name, parse.done), timeout_s)

    def _level_setting(self, name: str, question: str, level_dbm: float) -> Setting:
        """A level as it is sent, and how to ask whether it is set."""
        command = self._command(name)
        sent, _ = command.as_sent("level_dbm", level_dbm)
        asked = self._query(question, shown_level)
        text = command.text(level_dbm=level_dbm)
        return Setting("level", text, sent, LEVEL_STEP_DB, asked, question)

    def _reader(self, name: str, parser: Callable[[Any], Any]) -> Callable[[Any], Any]:
        """The parser for text replies to this command, whatever the instrument's reply style."""
        if name in self._replies:
            return partial(_by_form, self._replies[name], parser)
        if self._headed and name not in self._common and name not in self.bare_replies:
            return partial(parse.headed, parser)
        return parser

    def _finite(self, quantity: str, value: float) -> float:
        # value - value is 0 for every finite number, else NaN: quicker than a function call.
        if value - value != 0.0:
            raise BadSetting(self.name, f"{quantity} must be a finite number, found {value!r}")
        return value

    def _check_option_name(self, option: str) -> None:
        known = ("reply_style", *self.option_names)
        if option in known or option in ("replies", "list"):
            return
        best = nearest(option, list(known))
        hint = f"did you mean `{best}`?" if best else f"known: {', '.join(known)}"
        raise BadTemplate(
            self.name,
            f"the driver has no option `{option}`; {hint}.",
            advice="Mend it under `options:` in the bench file.",
            key=("options", option),
        )

    def _choice(self, option: str, default: str, choices: tuple[str, ...]) -> str:
        value = self.options.get(option, default)
        if value not in choices:
            raise BadTemplate(
                self.name,
                f"option `{option}` must be one of {', '.join(choices)}; found {value!r}.",
                advice="Mend it under `options:` in the bench file.",
                key=("options", option),
            )
        return str(value)


def _by_form(form: ReplyForm, parser: Callable[[Any], Any], reply: Any) -> Any:
    """The value of a reply that a bench file gave a form of its own."""
    return parser(form.read(reply if isinstance(reply, str) else reply.decode("latin-1")))
