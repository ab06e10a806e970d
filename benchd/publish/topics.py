"""The topics of a bench.

    benchd/<bench>/presence                     retained: online or offline
    benchd/<bench>/rf                           retained: whether RF is off, and who says so
    benchd/<bench>/epoch                        retained: which count of events it is
    benchd/<bench>/job/<id>                     a job's states
    benchd/<bench>/result                       every result
    benchd/<bench>/verdict                      every acceptance limit held against a result
    benchd/<bench>/latest/<antenna>/<quantity>  retained: the newest results
    benchd/<bench>/reading/<antenna>/<quantity>/<unit>  retained: the first as a bare number
    benchd/<bench>/trace/<capture>              thinned traces, if asked for
    benchd/<bench>/orders                       inbound
    benchd/<bench>/orders/reply                 answers to orders

Names that people chose are percent-encoded where MQTT gives a character a meaning of its own:
see `encode_part`.
"""

from __future__ import annotations

from benchd.store.topics import decode_part, encode_part

__all__ = ["Topics", "decode_part", "encode_part"]


class Topics:
    """Full topics of one bench below `root` (which may itself have several levels)."""

    def __init__(self, bench: str, root: str = "benchd") -> None:
        self.base = f"{root}/{encode_part(bench)}"
        self.presence = f"{self.base}/presence"
        self.rf = f"{self.base}/rf"
        self.epoch = f"{self.base}/epoch"
        self.orders = f"{self.base}/orders"
        self.reply = f"{self.base}/orders/reply"
        self.everything = f"{self.base}/#"

    def full(self, relative: str) -> str:
        """The topic of an outbox row."""
        return f"{self.base}/{relative}"

    def relative(self, topic: str) -> str | None:
        """Inverse of `full`; None for a topic of another bench."""
        head = f"{self.base}/"
        return topic.removeprefix(head) if topic.startswith(head) else None
