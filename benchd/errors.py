"""What can go wrong at the bench, sorted by who can mend it.

    BenchdError
      UserError                 a file, a parameter or an order is wrong: the person mends it
        RecipeError             a recipe cannot be read or resolved
        BenchFileError          a bench file cannot be read or does not hold together
        OrderRefused            an order or a command asks for something that cannot be done
          Busy                  there is no room for it now; ask again
        UnsafeError             the level budget forbids it
        UnknownId               nothing of that id is stored
      InstrumentRefused         an instrument answered, but with an error or an impossible value
        Garbled                 a reply that reads as nothing; may not happen again
      LinkLost                  an instrument does not answer
      PathBroken                a reading that the path itself cannot give
      StillRadiating            a source answers "off", and the analyzer sees it
      NormalisationRefused      a baseline does not fit the capture
      ReductionRefused          the traces cannot be reduced to what was asked for
      Cancelled                 a person or the daemon stopped the job
      WindowClosed              the time by which a job had to finish came first
      NoAnswer                  nobody answered a hands request within its patience
      RfNotVerified             a source did not say that its output is off

Any other exception is a fault in benchd and is reported as one.
"""

from __future__ import annotations

from dataclasses import dataclass


class BenchdError(Exception):
    """Base of all expected errors.

    message: what failed, what was found and what was expected.
    where: file, line, step, instrument or command; empty where the message holds it already.
    advice: what the person can do next.
    """

    family = "error"

    def __init__(self, message: str, *, where: str = "", advice: str = "") -> None:
        self.message = message
        self.where = where
        self.advice = advice
        super().__init__(self.__str__())

    def __str__(self) -> str:
        text = f"{self.where}: {self.message}" if self.where else self.message
        if not self.advice:
            return text
        stop = "" if text.endswith((".", "!", "?", ":")) else "."
        return f"{text}{stop} {self.advice}"

    def as_dict(self) -> dict[str, str]:
        """The JSON form used by the HTTP API and by MQTT replies."""
        return {
            "family": self.family,
            "where": self.where,
            "message": self.message,
            "advice": self.advice,
        }


class UserError(BenchdError):
    """Something that a person wrote or asked for is wrong."""

    family = "wrong-input"


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault in a file. `line` and `column` count from 1; 0 where unknown."""

    file: str
    line: int
    column: int
    key: str
    message: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        return f"{place}: {self.key}: {self.message}" if self.key else f"{place}: {self.message}"


class FileError(UserError):
    """A file with one or more problems; all are reported at once."""

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = problems
        super().__init__("\n".join(str(problem) for problem in problems))


class RecipeError(FileError):
    """A recipe cannot be read or resolved against the bench."""

    family = "wrong-recipe"


class BenchFileError(FileError):
    """A bench file cannot be read or does not hold together."""

    family = "wrong-bench"


class OrderRefused(UserError):
    """An order asks for something that cannot be done as things stand."""

    family = "refused"


class Busy(OrderRefused):
    """The order may be right, but there is no room for it now. Nothing of it was done."""

    family = "busy"


class UnsafeError(UserError):
    """The level budget shows that something could be damaged; nothing was switched on."""

    family = "unsafe"


class UnknownId(UserError):
    """Nothing with that id is stored."""

    family = "not-found"


class InstrumentRefused(BenchdError):
    """An instrument answered with an error, or with a value that cannot be true."""

    family = "instrument-refused"


class Garbled(InstrumentRefused):
    """An instrument answered something that does not read as an answer.

    One such reply deserves another try, as a lost link does; the same family, since a person
    who reads it in the morning has the same to do.
    """


class LinkLost(BenchdError):
    """An instrument cannot be reached or stopped answering."""

    family = "link-lost"


class PathBroken(BenchdError):
    """A capture reads what its path cannot give; it is kept with this flag, and never used."""

    family = "path-broken"


class StillRadiating(BenchdError):
    """A source says that RF is off, and the analyzer still reads it.

    where: the source. probe: how to look again whether it is off
    (`benchd.acquire.radiation_check`).
    """

    family = "still-radiating"

    def __init__(
        self, message: str, *, where: str = "", advice: str = "", probe: object = None
    ) -> None:
        self.probe = probe
        super().__init__(message, where=where, advice=advice)


class NormalisationRefused(BenchdError):
    """A baseline does not fit the capture. `differences` holds one sentence each."""

    family = "baseline-refused"

    def __init__(self, differences: list[str], *, where: str = "", advice: str = "") -> None:
        self.differences = differences
        super().__init__("; ".join(differences), where=where, advice=advice)


class ReductionRefused(BenchdError):
    """The traces do not hold what was asked for."""

    family = "reduction-refused"


class Cancelled(BenchdError):
    """The job was stopped on purpose."""

    family = "cancelled"


class WindowClosed(BenchdError):
    """The time by which the job had to finish came while it was under way."""

    family = "window-closed"


class NoAnswer(BenchdError):
    """Nobody answered a hands request within the patience that its recipe gives it."""

    family = "no-answer"


class RfNotVerified(BenchdError):
    """A source did not say that its output is off: somebody must look at it."""

    family = "rf-not-verified"
