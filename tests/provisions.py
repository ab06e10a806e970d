"""Programs that some tests need beside Python: found, installed where that is possible, or missed.

`python -m tests.provisions` is what `make test` does first. Where a program is missing it is
installed if nobody has to be asked: on a Debian-like system, as root or with a `sudo` that wants no
password. Otherwise the tests that need it are left out, and the end of the run says so. With
`CI=true` nothing is left out: what is missing is an error.

`BENCHD_WITHOUT="mosquitto openssl"` leaves those tests out on purpose, and installs nothing.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Collection, Mapping
from pathlib import Path

PACKAGES = {
    "chromium": "chromium",
    "mosquitto": "mosquitto",
    "mosquitto_passwd": "mosquitto",
    "openssl": "openssl",
    "pango-view": "pango1.0-tools",
    "tsc": "node-typescript",
}
"""Debian's package by the name of the program that comes with it."""

WITHOUT = "BENCHD_WITHOUT"
ALSO_IN = ("/usr/sbin", "/usr/local/sbin", "/opt/homebrew/sbin", "/usr/local/opt/mosquitto/sbin")
"""Where packages put servers, and where the PATH of an ordinary user often does not lead."""

NETWORK_LIMIT_S = 600.0
"""For looking up and fetching packages; without a network it must end, whatever a resolver does."""

UNPACK_LIMIT_S = 600.0

_given: set[str] | None = None


class Missing(Exception):
    """Programs are missing where none may be (`CI=true`)."""


def find(name: str, environ: Mapping[str, str] = os.environ) -> str | None:
    """Where a program lies; None where it is missing, or is to be done without."""
    if name in environ.get(WITHOUT, "").replace(",", " ").split():
        return None
    return shutil.which(name, path=os.pathsep.join((environ.get("PATH", ""), *ALSO_IN)))


def missing(environ: Mapping[str, str] = os.environ) -> tuple[str, ...]:
    """Which programs are not there."""
    return tuple(name for name in PACKAGES if find(name, environ) is None)


def is_ci(environ: Mapping[str, str] = os.environ) -> bool:
    """Whether nothing may be left out."""
    return environ.get("CI", "").lower() not in ("", "0", "false", "no")


def how_to_get(names: Collection[str]) -> str:
    """What a person does about missing programs."""
    packages = " ".join(sorted({PACKAGES[name] for name in names}))
    return f"apt-get install {packages} (or your system's packages of these names)"


def declare(names: Collection[str] | None) -> None:
    """What the test at hand says that it needs; None outside of tests."""
    global _given
    _given = None if names is None else set(names)


def program(name: str) -> str:
    """Path of a program for a test that says that it needs it.

    A test that does not say so fails everywhere, and not only where the program is missing.
    """
    assert _given is None or name in _given, (
        f"this test needs {name} and does not say so: @pytest.mark.needs({name!r})"
    )
    found = find(name)
    assert found, f"{name} is missing: {how_to_get([name])}"
    return found


def installer(environ: Mapping[str, str], user_id: int) -> list[str] | None:
    """The beginning of a command that may install packages unasked; None where nobody may."""
    apt = shutil.which("apt-get", path=environ.get("PATH", ""))
    if apt is None:
        return None
    if user_id == 0:
        return [apt]
    sudo = shutil.which("sudo", path=environ.get("PATH", ""))
    if sudo is None or not _run([sudo, "-n", "true"], environ, 10.0):
        return None
    return [sudo, "-n", "DEBIAN_FRONTEND=noninteractive", apt]


def install(environ: Mapping[str, str], user_id: int) -> bool:
    """Install what is missing; whether everything is there afterwards. Never hangs."""
    begin = installer(environ, user_id)
    if begin is None:
        return False
    packages = sorted({PACKAGES[name] for name in missing(environ)})
    bounded = ["-q", "-y", "-o", "Acquire::Retries=0", "-o", "Acquire::http::Timeout=15"]
    bounded += ["-o", "Acquire::https::Timeout=15", "-o", "DPkg::Lock::Timeout=60"]
    quiet = {**environ, "DEBIAN_FRONTEND": "noninteractive"}
    fetch = [*begin, *bounded, "install", "--no-install-recommends", "--download-only", *packages]
    # The lists of packages may be absent: they are fetched where it does not go without.
    fetched = _run(fetch, quiet, NETWORK_LIMIT_S) or (
        _run([*begin, *bounded, "update"], quiet, NETWORK_LIMIT_S)
        and _run(fetch, quiet, NETWORK_LIMIT_S)
    )
    if not fetched:
        return False
    unpack = [*begin, *bounded, "install", "--no-install-recommends", "--no-download", *packages]
    if not _run(unpack, quiet, UNPACK_LIMIT_S):
        return False
    if "mosquitto" in packages and Path("/run/systemd/system").is_dir():
        # The tests start brokers of their own. The package's own would hold port 1883.
        before = begin[:2] if len(begin) > 1 else []
        _run([*before, "systemctl", "disable", "--now", "mosquitto"], quiet, 60.0)
    return not missing(environ)


def _run(command: list[str], environ: Mapping[str, str], limit_s: float) -> bool:
    """Whether a command ended well and in time; what it started is ended with it."""
    try:
        process = subprocess.Popen(
            command,
            env=dict(environ),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
    except OSError:
        return False
    try:
        return process.wait(limit_s) == 0
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        return False


def provide(environ: Mapping[str, str], user_id: int) -> str:
    """Have the programs, as far as possible; one line for the person, empty if there is nothing
    to say. Raises Missing with `CI=true` where one is still missing."""
    before = missing(environ)
    if not before:
        return ""
    names = ", ".join(before)
    on_purpose = WITHOUT in environ
    if not on_purpose and install(environ, user_id):
        return f"{names}: was missing and has been installed for the tests."
    left = missing(environ)
    if is_ci(environ):
        raise Missing(f"CI: {', '.join(left)} must be there: {how_to_get(left)}")
    why = f"{WITHOUT} says so" if on_purpose else "it could not be installed unasked"
    return f"{names}: missing, and {why}; what needs it is left out: {how_to_get(left)}"


def main() -> int:
    """Entry point. Exit status 1 where something is missing that must be there."""
    try:
        said = provide(os.environ, os.geteuid())
    except Missing as error:
        print(f"make test: {error}", file=sys.stderr)
        return 1
    if said:
        print(f"make test: {said}", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
