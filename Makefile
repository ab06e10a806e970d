# benchd: `make demo` and `make test` do all their own set-up; they need git, make and Python 3.11+.

PYTHON ?= $(firstword $(foreach name,python3.13 python3.12 python3.11 python3 python,\
	$(shell command -v $(name) >/dev/null 2>&1 && $(name) -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' 2>/dev/null && echo $(name))))
VENV := .venv
BIN := $(VENV)/bin
# An install from a checkout leaves benchd's own files uncompiled. Where Python is told to write no
# bytecode, each start would compile them all again, for half a second.
COMPILE := @$(BIN)/python -m compileall -q benchd drivers simulators recipes

.PHONY: demo test lint bench coverage faults clean

demo: $(VENV)/.demo
	$(COMPILE)
	$(BIN)/benchd demo $(DEMO)

test: $(VENV)/.test
	@$(BIN)/python -m tests.provisions
	$(COMPILE)
	$(BIN)/python -m pytest -n 4 --dist loadfile --no-loadscope-reorder $(TESTS)

lint: $(VENV)/.test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

bench: $(VENV)/.test
	$(COMPILE)
	$(BIN)/python -m pytest tests/benchmarks -s

coverage: $(VENV)/.test
	$(BIN)/python -m tests.coverage_study --into docs/coverage.md $(COVERAGE)
	$(BIN)/python -m tests.gain_study --into docs/gains.md $(GAINS)

faults: $(VENV)/.test
	@$(BIN)/python -m tests.provisions
	$(COMPILE)
	$(BIN)/python -m tests.faults --into docs/faults.md $(FAULTS)

clean:
	rm -rf $(VENV) demo-output .pytest_cache .mypy_cache .ruff_cache

$(BIN)/python:
	@test -n "$(PYTHON)" || { echo "benchd needs Python 3.11 or newer with venv; none was found." >&2; exit 1; }
	$(PYTHON) -m venv $(VENV)

$(VENV)/.demo: pyproject.toml | $(BIN)/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[embedded,simulators,page]'
	@touch $@

$(VENV)/.test: pyproject.toml | $(BIN)/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[test,lint]'
	@touch $@ $(VENV)/.demo
