"""The errors between benchd and an instrument, one class for each kind of cause.

    DriverError
      BadAddress          the bench file's address is not one
      BadTemplate         a command template or an option in the bench file is wrong
      UnknownDriver       no installed package offers the driver asked for
      BadSetting          a value cannot be sent to an instrument (not finite, wrong kind)
      LinkLost            the instrument cannot be reached, or stopped answering
      WrongInstrument     something answers at the address, but not the expected instrument
      Refused             the instrument put an error in its queue
      BadReply            the instrument answered something that cannot be true
    Stopped               a person or the daemon stopped the procedure (no fault, so no DriverError)

`UnexpectedReply` is what parsers raise; `Exchange.value` turns it into a BadReply that names the
instrument and the command.
"""

from __future__ import annotations

_MOST_SHOWN = 80


class DriverError(Exception):
    """Base of all expected errors of this package.

    instrument: its name in the bench file; empty where no instrument is concerned.
    message: what failed, what was found, what was expected.
    command: the SCPI text that was being carried out, if any.
    advice: what the person at the bench can do next.
    """

    def __init__(self, instrument: str, message: str, command: str = "", advice: str = "") -> None:
        self.instrument = instrument
        self.message = message
        self.command = command
        self.advice = advice
        super().__init__(instrument, message, command, advice)

    def __str__(self) -> str:
        text = f"{self.instrument}: {self.message}" if self.instrument else self.message
        if self.command:
            text = f"{text} (command: {shown(self.command)})"
        return f"{text} {self.advice}" if self.advice else text


class BadAddress(DriverError):
    """The address is not a resource string that a transport here understands."""


class BadTemplate(DriverError):
    """A command template or an option of the bench file cannot be used.

    key: where it stands below the instrument in the bench file, such as ("commands", "rf_off").
    also: what else is wrong with the same instrument.
    """

    def __init__(
        self,
        instrument: str,
        message: str,
        command: str = "",
        advice: str = "",
        *,
        key: tuple[str, ...] = (),
        also: tuple[BadTemplate, ...] = (),
    ) -> None:
        self.key = key
        self.also = also
        super().__init__(instrument, message, command, advice)


class UnknownDriver(DriverError):
    """No installed package offers a driver of this name."""


class BadSetting(DriverError):
    """A value that cannot be sent: not a finite number, or not one of the words known."""


class LinkLost(DriverError):
    """The instrument cannot be reached or stopped answering; the link is closed."""


class WrongInstrument(DriverError):
    """The identity read from the instrument is not the expected one."""


class Refused(DriverError):
    """The instrument reported an error. `code` is its SCPI error number."""

    def __init__(
        self, instrument: str, message: str, command: str = "", advice: str = "", *, code: int = 0
    ) -> None:
        self.code = code
        super().__init__(instrument, message, command, advice)


class BadReply(DriverError):
    """A reply that is cut short, out of range, marked as not a number, or no answer at all."""


class Stopped(Exception):
    """The procedure was stopped on purpose; replies still on their way are thrown away."""

    def __init__(self) -> None:
        super().__init__("stopped")


class UnexpectedReply(ValueError):
    """A reply that does not read as what was asked for.

    end_known: False where the end of the reply is unknown, so that the link must be reopened
        before it is used again.
    """

    def __init__(self, expected: str, found: str, *, end_known: bool = True) -> None:
        self.expected = expected
        self.found = found
        self.end_known = end_known
        super().__init__(f"expected {expected}, found {found}")


def shown(text: str | bytes) -> str:
    """The start of a reply or command for an error message, control characters escaped."""
    if isinstance(text, bytes):
        text = text[: _MOST_SHOWN + 1].decode("latin-1")
    quoted = repr(text[:_MOST_SHOWN])
    return quoted if len(text) <= _MOST_SHOWN else f"{quoted}..."
