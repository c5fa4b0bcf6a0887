# make demo   a fleet of simulated trucks, the office and its page on http://127.0.0.1:8642
# make test   all tests
# make check  lint, format, types, import rules
# Everything lives in .venv; nothing is installed outside it.

PYTHON ?= python3
VENV   := .venv
BIN    := $(VENV)/bin
DEMO_OPTIONS ?=
TEST_OPTIONS ?=

.PHONY: demo test comparisons check format benchmarks wheel clean

$(VENV)/.demo-ready: pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Axlewright needs Python 3.11 or newer; try: make PYTHON=python3.12 $(MAKECMDGOALS)")'
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@echo "Installing into $(VENV) (a minute or two the first time)"
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[server,simulators]'
	@touch $@

$(VENV)/.test-ready: pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Axlewright needs Python 3.11 or newer; try: make PYTHON=python3.12 $(MAKECMDGOALS)")'
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@echo "Installing into $(VENV) (a minute or two the first time)"
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev]'
	@touch $@

demo: $(VENV)/.demo-ready
	$(BIN)/axlewright demo $(DEMO_OPTIONS)

test: $(VENV)/.test-ready
	$(BIN)/python -m pytest -q $(TEST_OPTIONS)

# The models against more libraries (large; without them those tests are skipped and say so).
comparisons: $(VENV)/.test-ready
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[comparisons]'

check: $(VENV)/.test-ready
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/python -m pytest -q tests/test_import_rules.py

format: $(VENV)/.test-ready
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

benchmarks: $(VENV)/.test-ready
	@for script in tests/benchmarks/*.py; do \
	  case $$script in */test_*|*/conftest.py|*/machine.py|*/publisher.py) ;; *) echo "== $$script"; $(BIN)/python $$script || exit 1;; esac; \
	done

wheel: $(VENV)/.test-ready
	$(BIN)/python -m pip wheel --quiet --no-deps --wheel-dir dist .

clean:
	rm -rf $(VENV) dist build .mypy_cache .ruff_cache .pytest_cache
