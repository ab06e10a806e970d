import errno
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.store import BenchClaimed, Store
from benchd.store.bench_lock import BenchLock

HOLDER = """
import sys
from benchd.store import Store
claim = Store.open(sys.argv[1]).claim("work/shop")
print("held", flush=True)
sys.stdin.read()
"""


def test_a_bench_has_one_owner_at_a_time(store: Store) -> None:
    with store.claim("workshop"):
        with pytest.raises(BenchClaimed, match=rf"run by another benchd \(process {os.getpid()}\)"):
            store.claim("workshop")
        store.claim("roof").release()
    store.claim("workshop").release()


def test_two_processes_cannot_own_a_bench_and_a_killed_owner_lets_go(place: Path) -> None:
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(place)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert holder.stdout is not None
    assert holder.stdin is not None
    try:
        assert holder.stdout.readline() == "held\n"
        with Store.open(place) as store:
            with pytest.raises(BenchClaimed, match=f"process {holder.pid}"):
                store.claim("work/shop")
            holder.send_signal(signal.SIGKILL)
            holder.wait()
            with store.claim("work/shop") as claim:
                assert claim.path.read_text() == f"{os.getpid()}\n"
                assert claim.path.parent == place.parent
    finally:
        holder.kill()
        holder.wait()
        holder.stdin.close()
        holder.stdout.close()


def test_a_disk_too_full_for_the_process_number_does_not_keep_the_bench(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """RF can only be switched off by whoever owns the bench."""

    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "pwrite", full)
    with BenchLock(tmp_path / "benchd.sqlite", "workshop"), pytest.raises(BenchClaimed):
        BenchLock(tmp_path / "benchd.sqlite", "workshop")
