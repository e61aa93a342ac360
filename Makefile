# Everything runs in a virtual environment of its own; a fresh machine needs Python 3.11+ and make, nothing else.
PYTHON ?= python3
VENV   ?= .venv
BIN    := $(VENV)/bin

# Compiled modules are kept, whatever the shell says: each of hundreds of interpreters would compile them again.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo test coverage bench torture torture-short audit clean

demo: $(VENV)/.runs
	$(BIN)/drydown demo --into demo-studio

test: $(VENV)/.develops
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/pytest -n 2 --dist loadfile
	$(BIN)/python -m tests.torture --short

coverage: $(VENV)/.develops
	$(BIN)/pip install --quiet -e '.[coverage]'
	$(BIN)/pytest -n 2 --dist loadfile --cov --cov-report=term

bench: $(VENV)/.develops
	$(BIN)/python -m tests.bench

torture: $(VENV)/.develops
	-$(BIN)/pip install --quiet -e '.[fuzz]'
	$(BIN)/python -m tests.torture

torture-short: $(VENV)/.develops
	$(BIN)/python -m tests.torture --short

audit: $(VENV)/.develops
	$(BIN)/pip install --quiet -e '.[audit]'
	$(BIN)/pip-audit --skip-editable

# Python 3.11 brings an old setuptools along, which nothing here needs and which has known holes.
$(VENV)/bin/python:
	$(PYTHON) -m venv $(VENV)
	$(BIN)/pip install --quiet --upgrade pip
	$(BIN)/pip uninstall -qq --yes setuptools

$(VENV)/.runs: $(VENV)/bin/python pyproject.toml
	$(BIN)/pip install --quiet -e .
	touch $@

$(VENV)/.develops: $(VENV)/bin/python pyproject.toml
	$(BIN)/pip install --quiet -e '.[dev]'
	touch $@ $(VENV)/.runs

clean:
	rm -rf $(VENV) build dist demo-studio bench-out .mypy_cache .ruff_cache .pytest_cache mutation-survivors.txt .coverage .coverage.*
