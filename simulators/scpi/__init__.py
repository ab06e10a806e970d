"""SCPI without I/O: bytes in, replies out.

Built from the rules of IEEE 488.2-1992 (message exchange, status, block data) and SCPI-1999
(header paths, mnemonics, error codes). Nothing here opens, waits or asks the time.
"""

from simulators.scpi.blocks import decode_block, encode_block, encode_values
from simulators.scpi.commands import Command, CommandTable, Unit, Wait
from simulators.scpi.conversation import Conversation, Device
from simulators.scpi.errors import ErrorQueue, ScpiError
from simulators.scpi.framing import Framer
from simulators.scpi.parameters import (
    BlockData,
    Boolean,
    ChannelList,
    Choice,
    Keyword,
    Number,
    Parameter,
)
from simulators.scpi.status import Status

__all__ = [
    "BlockData",
    "Boolean",
    "ChannelList",
    "Choice",
    "Command",
    "CommandTable",
    "Conversation",
    "Device",
    "ErrorQueue",
    "Framer",
    "Keyword",
    "Number",
    "Parameter",
    "ScpiError",
    "Status",
    "Unit",
    "Wait",
    "decode_block",
    "encode_block",
    "encode_values",
]
