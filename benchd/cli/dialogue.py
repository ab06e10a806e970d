"""Questions at a terminal, one line each: why it is asked, what stands if nothing is typed."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import IO, TypeVar

from benchd.cli.screen import plain
from benchd.errors import BenchdError, UserError
from benchd.units import Kind, UnitError, parse

T = TypeVar("T")

MOST_TRIES = 20
"""A person finds an answer before that; a program that types for ever does not."""


class Refusal(ValueError):
    """An answer cannot be used; the message says why."""


class Dialogue:
    """Asks on one stream and reads answers from another."""

    def __init__(self, typed: IO[str] | None = None, shown: IO[str] | None = None) -> None:
        self._typed = typed if typed is not None else sys.stdin
        self._shown = shown if shown is not None else sys.stderr

    def say(self, text: str) -> None:
        """Print a line."""
        print(plain(text), file=self._shown, flush=True)

    def ask(
        self, question: str, why: str, read: Callable[[str], T], default: str | None = None
    ) -> T:
        """Ask until the answer can be read. Raises UserError where the answers end.

        default: what an empty line means; None where there is no sensible one.
        """
        self.say(f"\n{question}")
        self.say(f"  Why: {why}")
        for _ in range(MOST_TRIES):
            shown = "" if default is None else f" [{default}]"
            print(plain(f"  answer{shown}: "), end="", file=self._shown, flush=True)
            line = self._typed.readline()
            if not line:
                raise UserError("the answers ended before all was asked; nothing was written.")
            text = line.strip() or (default or "")
            if not text:
                self.say("  This one has no default: type an answer.")
                continue
            try:
                return read(text)
            except (Refusal, UnitError) as refusal:
                self.say(f"  Not taken: {refusal}")
            except BenchdError as refusal:
                self.say(f"  Not taken: {refusal}")
        raise UserError(f"{MOST_TRIES} answers could not be taken; nothing was written.")

    def ask_or_skip(self, question: str, why: str, read: Callable[[str], T]) -> T | None:
        """A question that an empty line skips, and the end of the answers too; then None."""
        self.say(f"\n{question}")
        self.say(f"  Why: {why}")
        for _ in range(MOST_TRIES):
            print("  answer [skip]: ", end="", file=self._shown, flush=True)
            text = self._typed.readline().strip()
            if text in ("", "skip"):
                return None
            try:
                return read(text)
            except (Refusal, UnitError, BenchdError) as refusal:
                self.say(f"  Not taken: {refusal}")
        raise UserError(f"{MOST_TRIES} answers could not be taken; nothing was written.")

    def agrees(self, question: str, why: str, default: bool) -> bool:
        """A question for yes or no."""
        return self.ask(f"{question} (yes or no)", why, _yes_or_no, "yes" if default else "no")


def _yes_or_no(text: str) -> bool:
    word = text.casefold()
    if word in ("y", "yes"):
        return True
    if word in ("n", "no"):
        return False
    raise Refusal(f'"{text}" is neither yes nor no')


def quantity(kind: Kind, *, least: float | None = None) -> Callable[[str], str]:
    """A reader that keeps a quantity as it was typed, once it can be read."""

    def read(text: str) -> str:
        value = parse(text, kind)
        if least is not None and value < least:
            raise Refusal(f"{text} is less than it can be")
        return text

    return read


def rising(kind: Kind) -> Callable[[str], tuple[str, str]]:
    """A reader of a range, "400 MHz to 6 GHz"."""

    def read(text: str) -> tuple[str, str]:
        low, found, high = text.partition(" to ")
        if not found:
            raise Refusal('a range is written with "to" between its ends')
        if not parse(low.strip(), kind) < parse(high.strip(), kind):
            raise Refusal("the second end must be the higher one")
        return low.strip(), high.strip()

    return read


def name(text: str) -> str:
    """A name for a bench file: lower-case letters, digits, hyphens."""
    if not text[0].isalpha() or not all(c.isascii() and (c.isalnum() or c in "-_") for c in text):
        raise Refusal("a name begins with a letter and holds letters, digits, - and _")
    return text
