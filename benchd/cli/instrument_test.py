"""`benchd instruments --test`: what an instrument refuses, and the line for the bench file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchd.cli.client import Daemon
from benchd.cli.screen import note, plain
from benchd.errors import OrderRefused
from benchd.files.yamlfile import nearest

TEST_WITHIN_S = 1800.0
"""An instrument that ignores half of its commands makes each wait for its `timeout`."""

_OFF = "off, verified"

_WORDS = {
    "refused": "refused",
    "no-answer": "no answer",
    "other-answer": "another answer than expected",
    "switched-rf-on": "IT SWITCHED RF ON",
}


def run_tests(client: Daemon, names: Sequence[str]) -> list[dict[str, Any]]:
    """Try the named instruments, or all, one after the other."""
    known = [str(one["name"]) for one in client.get("/api/instruments")]
    for name in names:
        if name not in known:
            raise OrderRefused(f'there is no instrument "{name}", {nearest(name, known)}')
    found = []
    for name in names or known:
        note(plain(f"Trying {name}. RF stays off."))
        found.append(client.post("/api/instruments/test", name=name, within_s=TEST_WITHIN_S))
    return found


def is_fine(report: Mapping[str, Any]) -> bool:
    """Whether nothing has to be mended."""
    wrong = [one for one in report["commands"] if one["outcome"] in _WORDS]
    return not wrong and not report["message"]


def rf_in_doubt(reports: Sequence[Mapping[str, Any]]) -> bool:
    """Whether RF was not verified off after the last test."""
    return bool(reports) and str(reports[-1]["rf_after"]).startswith("NOT")


def format_tests(reports: Sequence[Mapping[str, Any]]) -> str:
    """What every instrument did not take, in words, and the lines that mend the bench file."""
    return plain("\n\n".join("\n".join(_lines(report)) for report in reports))


def _lines(report: Mapping[str, Any]) -> list[str]:
    name, tried = report["instrument"], report["commands"]
    lines = [f"{name} ({report['driver']} at {report['address']})"]
    # Only a source has RF of its own. What is not sure of the bench's is told with any instrument.
    if report["kind"] == "source" or {report["rf_before"], report["rf_after"]} != {_OFF}:
        lines.append(f"  RF before: {report['rf_before']}; after: {report['rf_after']}.")
    if report["message"]:
        lines.append(f"  The test ended early: {report['message']}")
    for one in tried:
        if one["outcome"] in _WORDS:
            lines += _wrong(one)
    counts = [
        f"{count} {words}"
        for outcome, words in (
            ("taken", "taken"),
            ("not-told", "sent (the instrument cannot be asked whether it took them)"),
        )
        if (count := sum(one["outcome"] == outcome for one in tried))
    ]
    left = [one for one in tried if one["outcome"] == "not-tried"]
    lines.append(f"  {', '.join([*counts, f'{len(left)} not tried'])}.")
    lines += [f"  Not tried: {one['command']}: {one['said']}." for one in left]
    mending = [one["line"] for one in tried if one["line"]]
    if mending:
        lines.append(f"  For the bench file, below `{name}:`")
        lines += [f"    {line}" for line in _merged(mending)]
    return lines


def _wrong(one: Mapping[str, Any]) -> list[str]:
    said = f": {one['said']}" if one["said"] else ""
    return [
        f"  {one['command']} ({one['message']}): {_WORDS[one['outcome']]}{said}.",
        f"    {one['advice']}",
    ]


def _merged(lines: Sequence[str]) -> list[str]:
    """One `commands:` and one `replies:` for all, since a key may stand once."""
    found: dict[str, list[str]] = {}
    for line in lines:
        key, _, rest = line.partition(": ")
        found.setdefault(key, []).append(rest[1:-1])
    return [
        text
        for key, entries in found.items()
        for text in (f"{key}:", *(f"  {entry}" for entry in entries))
    ]
