# probeledger: every recipe that a person or the continuous integration runs.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
STUBS := build/stubs/.ready
JOBS ?= 2
SECONDS ?= 20

.PHONY: help setup demo test test-long test-deps fuzz lint bench size generate lock clean

help:
	@echo "make demo       a virtual tester's whole day, through to the day sheet"
	@echo "make test       the tests (under 5 minutes)"
	@echo "make test-long  the tests with their full counts"
	@echo "make test-deps  install the system packages that some tests need (Debian, as root)"
	@echo "make fuzz       every decoder on made-up bytes, SECONDS=20 for each (Linux); keeps what it finds"
	@echo "make lint       style, types, generated files"
	@echo "make bench      speeds and sizes, into docs/benchmarks.md (about 6 minutes)"
	@echo "make size       the firmware's size and the heap that it leaves"
	@echo "make setup      .venv with everything in it"
	@echo "make generate   board.py and the rest from hardware/tester.toml"
	@echo "make lock       resolve the dependencies anew (needs uv)"
	@echo "make clean      remove what was made"

$(READY): requirements.lock pyproject.toml hardware/bundle_hook.py
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
		|| { echo "probeledger needs Python 3.11 or later; $(PYTHON) is older. Set PYTHON=... to a newer one."; exit 2; }
	@$(PYTHON) -c 'import venv, ensurepip' 2>/dev/null \
		|| { echo "Python's venv is missing. On Debian or Ubuntu: apt-get install python3-venv"; exit 2; }
	@echo "Setting up $(VENV) (once; takes about a minute)"
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@$(BIN)/python -m pip install -q --disable-pip-version-check --require-hashes -r requirements.lock
	@$(BIN)/python -m pip install -q --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $(READY)

$(STUBS): stubs.lock $(READY)
	@rm -rf build/stubs
	@$(BIN)/python -m pip install -q --disable-pip-version-check --require-hashes --no-deps --target build/stubs -r stubs.lock
	@touch $(STUBS)

setup: $(READY)

demo: $(READY)
	@$(BIN)/probeledger demo

# The fast parts come first, so that a mistake shows early.
test: $(READY)
	@$(BIN)/python -m pytest -m "not long" -n $(JOBS) tests/core tests/standards
	@$(BIN)/python -m pytest -m "not long" -n $(JOBS) tests --ignore=tests/core --ignore=tests/standards

test-long: $(READY)
	@$(BIN)/python -m pytest -m long -n $(JOBS) tests

fuzz: $(READY)
	@$(BIN)/python tests/fuzz/run.py --seconds $(SECONDS) $(TARGETS)

test-deps:
	@tests/install_dependencies

lint: $(READY) $(STUBS)
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check hardware host tests firmware
	@$(BIN)/python hardware/generate.py --check
	@$(BIN)/mypy
	@$(BIN)/mypy --config-file mypy-firmware.ini

generate: $(READY)
	@$(BIN)/python hardware/generate.py

bench: $(READY)
	@$(BIN)/python tests/bench/run.py

size: $(READY)
	@$(BIN)/python tests/bench/run.py size

lock:
	uv pip compile --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-header --no-annotate -q \
		pyproject.toml --extra virtual --extra setup --group dev -o requirements.lock
	echo "micropython-rp2-rpi_pico-stubs==1.28.0.post4" | uv pip compile --universal --python-version 3.11 \
		--generate-hashes --no-emit-index-url --no-header --no-annotate -q - -o stubs.lock

clean:
	rm -rf $(VENV) build dist docs/_build .pytest_cache .ruff_cache .mypy_cache .hypothesis
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
