"""`make test` without Mosquitto or openssl: it installs them, or says what it leaves out."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests import provisions
from tests.patience import PATIENCE_S

REPOSITORY = Path(__file__).resolve().parents[2]
ROOT, ANNA = 0, 1000


def suite(*arguments: str, **environ: str) -> subprocess.CompletedProcess[str]:
    """A part of the suite in a process of its own."""
    known = {key: text for key, text in os.environ.items() if key != "CI" and "PYTEST" not in key}
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *arguments],
        capture_output=True, text=True, timeout=PATIENCE_S, cwd=REPOSITORY, check=False,
        env=known | environ,
    )  # fmt: skip


@pytest.mark.parametrize("workers", ["0", "2"])
def test_what_needs_a_missing_program_is_left_out_with_one_loud_line(workers: str) -> None:
    ran = suite("-n", workers, "tests/docs/test_deploy.py", BENCHD_WITHOUT="mosquitto openssl")
    assert ran.returncode == 0, ran.stdout + ran.stderr
    (line,) = [line for line in ran.stdout.splitlines() if "LEFT OUT" in line]
    assert "tests that need mosquitto, openssl, which is missing here" in line
    assert "in tests/docs/test_deploy.py." in line
    assert "apt-get install mosquitto openssl" in line
    assert "passed" in ran.stdout, "what needs neither of them runs"


def test_leaving_everything_out_is_no_failure_but_said() -> None:
    ran = suite("tests/system/test_kill.py", BENCHD_WITHOUT="mosquitto")
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "LEFT OUT: 4 tests that need mosquitto" in ran.stdout


def test_in_ci_nothing_is_left_out() -> None:
    ran = suite("tests/docs/test_deploy.py", CI="true", BENCHD_WITHOUT="openssl")
    assert ran.returncode == pytest.ExitCode.USAGE_ERROR
    assert "CI: openssl must be there: apt-get install openssl" in ran.stderr


@pytest.fixture
def bare(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder that is the whole PATH of a computer on which nothing is installed."""
    monkeypatch.setattr(provisions, "ALSO_IN", ())
    return tmp_path


def script(folder: Path, name: str, *lines: str) -> None:
    path = folder / name
    path.write_text("\n".join(("#!/bin/sh", *lines, "")))
    path.chmod(0o755)


def apt_that_works(folder: Path, asks_for_lists: bool) -> None:
    """It notes what it was asked, and puts the programs where the PATH leads."""
    installed = " ".join(provisions.PACKAGES)
    script(
        folder,
        "apt-get",
        f'echo "$*" >> {folder}/asked',
        f'case "$*" in *update*) : > {folder}/lists; exit 0;; esac',
        f"[ -e {folder}/lists ] || exit 100" if asks_for_lists else ":",
        'case "$*" in *--no-download*) ;; *) exit 0;; esac',
        f"for name in {installed}; do /bin/cp {folder}/apt-get {folder}/$name; done",
    )


@pytest.mark.parametrize("asks_for_lists", [False, True], ids=["lists-known", "lists-absent"])
def test_as_root_what_is_missing_is_installed_and_said(bare: Path, asks_for_lists: bool) -> None:
    apt_that_works(bare, asks_for_lists)
    said = provisions.provide({"PATH": str(bare)}, ROOT)
    assert said == (
        "chromium, mosquitto, mosquitto_passwd, openssl, pango-view, tsc: was missing and has been "
        "installed for the tests."
    )
    asked = (bare / "asked").read_text()
    assert ("update" in asked) is asks_for_lists
    assert asked.splitlines()[-1].endswith(
        "--no-download chromium mosquitto node-typescript openssl pango1.0-tools"
    )
    assert provisions.provide({"PATH": str(bare)}, ROOT) == "", "nothing to say the next time"


def test_a_sudo_without_password_is_used_and_one_that_asks_is_not(bare: Path) -> None:
    apt_that_works(bare, asks_for_lists=False)
    script(bare, "sudo", "exit 1")
    said = provisions.provide({"PATH": str(bare)}, ANNA)
    assert said.endswith(
        "missing, and it could not be installed unasked; what needs it is left out: "
        "apt-get install chromium mosquitto node-typescript openssl pango1.0-tools (or your "
        "system's packages of these names)"
    )
    assert not (bare / "asked").exists()
    script(bare, "sudo", '[ "$1" = -n ] || exit 1', 'shift; exec /usr/bin/env "$@"')
    script(bare, "true")
    assert "has been installed" in provisions.provide({"PATH": str(bare)}, ANNA)


def test_an_installer_that_fails_or_hangs_costs_the_tests_and_not_the_run(
    bare: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(provisions, "NETWORK_LIMIT_S", 0.2)
    for line in ("exit 100", "/bin/sleep 1000"):
        script(bare, "apt-get", line)
        said = provisions.provide({"PATH": str(bare)}, ROOT)
        assert "could not be installed unasked; what needs it is left out" in said


def test_whoever_wants_to_do_without_is_not_offered_an_installation(bare: Path) -> None:
    apt_that_works(bare, asks_for_lists=False)
    said = provisions.provide({"PATH": str(bare), "BENCHD_WITHOUT": "openssl"}, ROOT)
    assert "missing, and BENCHD_WITHOUT says so" in said
    assert not (bare / "asked").exists()


def test_ci_ends_at_once_where_something_cannot_be_had(bare: Path) -> None:
    with pytest.raises(
        provisions.Missing,
        match="CI: chromium, mosquitto, mosquitto_passwd, openssl, pango-view, tsc must",
    ):
        provisions.provide({"PATH": str(bare), "CI": "true"}, ROOT)
