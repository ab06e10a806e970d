"""`python -m simulators` is `benchd-simulator`."""

from simulators.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
