# Everything here needs python3 (3.11 or newer), pip and make; the rest is installed into .venv.
.DEFAULT_GOAL := help
SHELL := /bin/bash
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
UV_VERSION := 0.13.9
OUT ?= demo-output
PORT ?= 8484

export UV_PROJECT_ENVIRONMENT := $(VENV)
# Large wheels on a slow line: wait rather than fail.
export UV_HTTP_TIMEOUT ?= 180

.PHONY: help
help: ## Show this list
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | awk -F':.*## ' '{printf "  make %-8s %s\n", $$1, $$2}'

$(BIN)/uv:
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet "uv==$(UV_VERSION)"

$(VENV)/.run-ready: pyproject.toml uv.lock | $(BIN)/uv
	$(BIN)/uv sync --frozen --inexact --compile-bytecode --quiet
	$(BIN)/python -m canalwright.planning.warm_up
	$(BIN)/python -m canalwright.imaging.warm_up
	@touch $@

$(VENV)/.dev-ready: pyproject.toml uv.lock | $(BIN)/uv
	$(BIN)/uv sync --frozen --inexact --all-extras --quiet
	@touch $@

.PHONY: demo
demo: $(VENV)/.run-ready ## Run the main job on an invented tooth: scan, canals, plan, PDF, pictures
	$(BIN)/canalwright demo --out $(OUT)

.PHONY: test
test: $(VENV)/.dev-ready ## Pass the tests
	$(BIN)/python -m pytest

.PHONY: check
check: $(VENV)/.dev-ready ## Check format, lint, types, import contracts, units in names, docs
	$(BIN)/ruff format --check
	$(BIN)/ruff check
	$(BIN)/mypy
	$(BIN)/lint-imports --no-logo
	$(BIN)/python tools/unit_suffixes.py src
	$(BIN)/python tools/module_sizes.py src

.PHONY: docs
docs: $(VENV)/.dev-ready ## Build the documentation into docs/_build/html
	$(BIN)/python tools/build_validation_page.py
	$(BIN)/python tools/build_command_page.py
	$(BIN)/sphinx-build -q -W --keep-going -b html docs docs/_build/html

.PHONY: serve
serve: $(VENV)/.run-ready ## Open the workbench in the browser
	$(BIN)/uv sync --frozen --inexact --extra web --quiet
	$(BIN)/canalwright serve --port $(PORT)

.PHONY: screenshots
screenshots: $(VENV)/.dev-ready ## Take the pictures of the workbench anew (needs Chromium)
	CANALWRIGHT_SCREENSHOTS=docs/images/workbench $(BIN)/python -m pytest \
		tests/surface/test_web_story.py tests/surface/test_web_accessibility.py

.PHONY: frontend
frontend: ## Rebuild the browser bundle of the 3-D view (needs Node; its result is committed)
	cd frontend && npm ci --no-audit --no-fund && npm run build

.PHONY: bench
bench: $(VENV)/.dev-ready ## Measure speed and accuracy against general libraries
	$(BIN)/python -m pytest benchmarks --benchmark-only -q
	$(BIN)/python benchmarks/against_peers.py
	$(BIN)/python benchmarks/start_up.py --out benchmarks/results/start_up.md

.PHONY: bench-long
bench-long: bench ## The same, and every long benchmark on an otherwise idle machine (hours, 10 GB of disk)
	$(BIN)/python benchmarks/measure_speed.py --out benchmarks/results/measure_speed.md
	$(BIN)/python benchmarks/propose_canals.py --seeds 12 --out benchmarks/results/proposals.md
	$(BIN)/python benchmarks/evaluate_pairs.py --seeds 4 --out benchmarks/results/evaluate_pairs.md
	$(BIN)/python benchmarks/voxel_check.py --seeds 10 --out benchmarks/results/voxel_check.md
	$(BIN)/python benchmarks/workbench_users.py --users 10 --out benchmarks/results/workbench_users.md
	$(BIN)/python benchmarks/cohort_throughput.py --out benchmarks/results/cohort_throughput.md

.PHONY: clean
clean: ## Remove the environment, caches and everything built
	rm -rf $(VENV) demo-output docs/_build docs/_generated .mypy_cache .ruff_cache .pytest_cache .hypothesis .benchmarks
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
