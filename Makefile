# Everything happens in .venv; nothing is installed elsewhere. `make run` and `make test` set up what they need.
PYTHON ?= python3
BIN := .venv/bin
READY := .venv/.ready

.PHONY: help setup run test lint format bench campaign docs clean

help:
	@echo "make run    set up, then test emulated units; pages at http://127.0.0.1:8000 until Ctrl-C"
	@echo "make test   set up, then run the tests"
	@echo "make lint   style, types and the import contracts"
	@echo "make bench  speed and memory, as ratios against a baseline in the same run"
	@echo "make campaign  the long campaigns: accuracy, risks, faulty recordings and runs (about an hour)"
	@echo "make docs   write the generated pages again"

setup: $(READY)

$(READY): pyproject.toml constraints.txt
	@$(PYTHON) -c 'import sys; sys.exit("Restpoint needs Python 3.11 or newer; this is " + sys.version.split()[0]) if sys.version_info < (3, 11) else None'
	$(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint constraints.txt --editable '.[dev,postgres]'
	@touch $@

run: $(READY)
	@exec $(BIN)/restpoint demo --data var/demo

test: $(READY)
	$(BIN)/python -m pytest -n 2 --dist worksteal

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

format: $(READY)
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

bench: $(READY)
	$(BIN)/python -m tests.bench

# Half an hour and more: the long forms of what the tests do in short.
campaign: $(READY)
	$(BIN)/python -m tests.campaign_plan
	$(BIN)/python -m tests.campaign_accuracy
	$(BIN)/python -m tests.campaign_chain --n 3000
	$(BIN)/python -m tests.campaign_scoring --n 100000

docs: $(READY)
	$(BIN)/python -m rigs.link.page
	$(BIN)/python -m api.http.openapi

clean:
	rm -rf .venv var .pytest_cache .mypy_cache .ruff_cache .import_linter_cache .hypothesis *.egg-info
