"""`python -m benchd` is `benchd`."""

from benchd.cli import main

if __name__ == "__main__":
    main()
