"""Invented makes of instrument: each speaks its own dialect, and none is a real product's."""

from collections.abc import Mapping

from simulators.instruments.dialect import Dialect
from simulators.instruments.dialects import chatty, plain, terse

DIALECTS: Mapping[str, Mapping[str, Dialect]] = {
    "source": {"plain": plain.SOURCE, "terse": terse.SOURCE, "chatty": chatty.SOURCE},
    "analyzer": {"plain": plain.ANALYZER, "terse": terse.ANALYZER, "chatty": chatty.ANALYZER},
    "meter": {"plain": plain.METER},
    "switch": {"plain": plain.SWITCH, "terse": terse.SWITCH, "chatty": chatty.SWITCH},
    "sense": {"plain": plain.SENSE, "terse": terse.SENSE, "chatty": chatty.SENSE},
}
"""Dialect by kind and name."""

__all__ = ["DIALECTS"]
