"""Front ends that carry SCPI over a socket, HiSLIP, VXI-11 or a serial line."""

from simulators.transports.all_transports import Host
from simulators.transports.faults import FaultPlan
from simulators.transports.session import Session

__all__ = ["FaultPlan", "Host", "Session"]
