"""What benchd remembers: jobs, captures, results, and what still has to reach the broker.

One database, by default one SQLite file. Every method of `Store` is one transaction; a method
that has returned has its data on the disk. `Store.atomic` joins several methods into one.
"""

from benchd.errors import UnknownId
from benchd.jobstates import JobState
from benchd.store.captures import CaptureRow
from benchd.store.epochs import Epoch, Mark, why_no_successor
from benchd.store.errors import (
    BenchClaimed,
    StoreDamaged,
    StoreError,
    StoreFull,
    StoreReadOnly,
    StoreTooNew,
    WrongState,
)
from benchd.store.jobs import JobEventRow, JobRow
from benchd.store.orders import Answered
from benchd.store.outbox import OutboxRow
from benchd.store.ready_results import ReadyResult, made_ready
from benchd.store.store import Store

__all__ = [
    "Answered",
    "BenchClaimed",
    "CaptureRow",
    "Epoch",
    "JobEventRow",
    "JobRow",
    "JobState",
    "Mark",
    "OutboxRow",
    "ReadyResult",
    "Store",
    "StoreDamaged",
    "StoreError",
    "StoreFull",
    "StoreReadOnly",
    "StoreTooNew",
    "UnknownId",
    "WrongState",
    "made_ready",
    "why_no_successor",
]
