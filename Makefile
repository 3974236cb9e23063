# Every command a user or contributor needs. CI calls the same targets.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed

.PHONY: all demo test check format bench accuracy fuzz accept lock clean

all: $(STAMP)

# The pinned constraints carry hashes, so pip checks every file it installs; our own package comes last.
$(STAMP): constraints.txt pyproject.toml
	$(PYTHON) -c 'import sys; sys.exit("panelwright needs Python 3.11 or newer" if sys.version_info < (3, 11) else 0)'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip --disable-pip-version-check --quiet install --require-hashes -r constraints.txt
	$(BIN)/python -m pip --disable-pip-version-check --quiet install --no-deps --no-build-isolation --editable .
	touch $@

demo: all
	$(BIN)/panelwright demo

test: all
	$(BIN)/python -m pytest $(ARGS)

check: all
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-logo
	$(BIN)/python tests/module_size.py

format: all
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

bench: all
	$(BIN)/python -m tests.benchmarks

accuracy: all
	$(BIN)/python -m tests.accuracy

# Mutated bytes into everything that reads bytes from outside; FUZZ_SECONDS for all targets together.
FUZZ_SECONDS ?= 60
fuzz: all $(VENV)/.fuzzer
	$(BIN)/python -m tests.fuzz $(FUZZ_SECONDS)

$(VENV)/.fuzzer: constraints-fuzz.txt
	$(BIN)/python -m pip --disable-pip-version-check --quiet install --require-hashes -r constraints-fuzz.txt
	touch $@

# Rewrites one expectation: make accept REC=force-stream-n/steady
accept: all
	$(BIN)/python -m tests.recordings.accept $(REC)

# Re-pins everything; needs uv (pip install uv).
lock:
	uv pip compile --universal --python-version 3.11 --generate-hashes --no-header --no-annotate \
		--no-emit-index-url --extra dev pyproject.toml -o constraints.txt
	sed -n '/^fuzz = /,/^]/s/^ *"\(.*\)",/\1/p' pyproject.toml | uv pip compile --universal --python-version 3.11 \
		--generate-hashes --no-header --no-annotate --no-emit-index-url - -o constraints-fuzz.txt

clean:
	rm -rf $(VENV) build *.egg-info .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache
