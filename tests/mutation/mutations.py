"""Wrong formulas, one line each, and the test file that must notice.

Run as a script it shows them all: `python tests/mutation/mutations.py`.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]
HANDBOOK = "tests/oracles/test_reduce_handbook.py"
BUDGETS = "tests/oracles/test_reduce_budgets.py"
PASSED, FAILED = 0, 1
"""Exit codes of pytest; anything else means that the tests did not even run."""

_LEAN = {
    # Plug-ins that these tests do not use would take longer to import than the tests to run.
    "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1",
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
}


@dataclass(frozen=True)
class Mutation:
    """One line of one file made wrong. `right` stands in the file exactly once."""

    formula: str
    file: str
    right: str
    wrong: str
    noticed_by: str

    @property
    def name(self) -> str:
        """For test ids."""
        return self.formula.replace(" ", "-")


MUTATIONS = (
    Mutation(
        "sign of the return loss",
        "benchd/reduce/decibels.py",
        "_like(gamma, -20.0 * np.log10(np.asarray(gamma, dtype=float)))",
        "_like(gamma, 20.0 * np.log10(np.asarray(gamma, dtype=float)))",
        HANDBOOK,
    ),
    Mutation(
        "VSWR upside down",
        "benchd/reduce/decibels.py",
        "(1.0 + passive) / (1.0 - passive)",
        "(1.0 - passive) / (1.0 + passive)",
        HANDBOOK,
    ),
    Mutation(
        "mismatch loss of a magnitude not squared",
        "benchd/reduce/decibels.py",
        "-10.0 * np.log10(1.0 - magnitude**2) + 0.0",
        "-10.0 * np.log10(1.0 - magnitude) + 0.0",
        HANDBOOK,
    ),
    Mutation(
        "free-space loss with half its constant",
        "benchd/reduce/decibels.py",
        "turns = 4.0 * np.pi * distance_m",
        "turns = 2.0 * np.pi * distance_m",
        HANDBOOK,
    ),
    Mutation(
        "gain transfer with the reference's mismatch added",
        "benchd/reduce/gain_by_substitution.py",
        "        - mismatch_loss_db(abs(reference_gamma))",
        "        + mismatch_loss_db(abs(reference_gamma))",
        BUDGETS,
    ),
    Mutation(
        "three antennas with the path loss subtracted",
        "benchd/reduce/absolute_gain.py",
        "(ab_db + ac_db - bc_db + loss_db) / 2.0",
        "(ab_db + ac_db - bc_db - loss_db) / 2.0",
        HANDBOOK,
    ),
    Mutation(
        "trim by the inverse ratio",
        "benchd/reduce/trim.py",
        "arm_length_m * (1.0 - resonance_hz / target_hz)",
        "arm_length_m * (1.0 - target_hz / resonance_hz)",
        "tests/reduce/test_resonance.py",
    ),
    Mutation(
        "u-shaped divided like a rectangle",
        "benchd/reduce/uncertainty.py",
        '"u-shaped": math.sqrt(2.0)',
        '"u-shaped": math.sqrt(3.0)',
        BUDGETS,
    ),
    Mutation(
        "Welch-Satterthwaite with squares for fourth powers",
        "benchd/reduce/uncertainty.py",
        "size**4 / freedom",
        "size**2 / freedom",
        BUDGETS,
    ),
    Mutation(
        "ripple to reflected level without its sum",
        "benchd/reduce/ripple.py",
        "math.log10((swing - 1.0) / (swing + 1.0))",
        "math.log10((swing - 1.0) / swing)",
        HANDBOOK,
    ),
    Mutation(
        "noise bias of the inverse ratio",
        "benchd/reduce/noise.py",
        "DB_PER_NAT * math.log1p(1.0 / gamma)",
        "DB_PER_NAT * math.log1p(gamma)",
        "tests/oracles/test_reduce_noise_scipy.py",
    ),
    Mutation(
        "phase centre on the far side",
        "benchd/reduce/farfield.py",
        "NEPER_DB * math.log1p(-forward_m / range_m)",
        "NEPER_DB * math.log1p(forward_m / range_m)",
        HANDBOOK,
    ),
)


def copy_of_tree(folder: Path) -> Path:
    """A copy of what the tests named here need; the work itself is never touched."""
    ignore = shutil.ignore_patterns("__pycache__")
    shutil.copytree(REPOSITORY / "benchd", folder / "benchd", ignore=ignore)
    for file in {mutation.noticed_by for mutation in MUTATIONS}:
        (folder / file).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(REPOSITORY / file, folder / file)
    return folder


def run_tests(tree: Path, file: str) -> subprocess.CompletedProcess[str]:
    """Run one test file on the benchd of that tree, in a process of its own."""
    command = (
        "import sys, pytest, benchd\n"
        f"assert benchd.__file__.startswith({str(tree)!r}), benchd.__file__\n"
        f"sys.exit(pytest.main(['-x', '-q', '-p', 'no:cacheprovider', {file!r}]))"
    )
    return subprocess.run(
        [sys.executable, "-B", "-c", command],
        cwd=tree,
        env={"PYTHONPATH": str(tree), "PATH": "", "HOME": str(tree), **_LEAN},
        capture_output=True,
        text=True,
        check=False,
    )


def tried(mutation: Mutation, tree: Path) -> subprocess.CompletedProcess[str]:
    """Run the test file with the line made wrong; the line is right again afterwards.

    Raises ValueError where the line does not stand in the file exactly once.
    """
    path = tree / mutation.file
    text = path.read_text()
    if text.count(mutation.right) != 1:
        raise ValueError(f"{mutation.file} holds {mutation.right!r} {text.count(mutation.right)} x")
    path.write_text(text.replace(mutation.right, mutation.wrong))
    try:
        return run_tests(tree, mutation.noticed_by)
    finally:
        path.write_text(text)


def main() -> int:
    """Show every mutation and who notices; 1 if one goes unnoticed."""
    unnoticed = 0
    with tempfile.TemporaryDirectory() as folder:
        tree = copy_of_tree(Path(folder).resolve())
        for file in sorted({mutation.noticed_by for mutation in MUTATIONS}):
            print(f"{'passes' if run_tests(tree, file).returncode == PASSED else 'FAILS'}  {file}")
        for mutation in MUTATIONS:
            noticed = tried(mutation, tree).returncode == FAILED
            unnoticed += not noticed
            print(f"{'noticed' if noticed else 'UNNOTICED'}  {mutation.formula}")
    return 1 if unnoticed else 0


if __name__ == "__main__":
    sys.exit(main())
