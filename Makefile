# Each target sets itself up in .venv; a stamp file remembers what is installed, so a second call is fast.
# PYTHON=/path/to/python3.12 chooses the interpreter, JOBS=4 the number of test workers,
# ARGS="-k sizing" is handed to pytest, to the demo, to the server or to the benchmarks.

PYTHON ?= python3
VENV   ?= .venv
JOBS   ?= 2
ARGS   ?=

BIN  := $(VENV)/bin
INSTALL := .requirements/install $(BIN)/python
LOCK := $(BIN)/uv --quiet pip compile --universal --python-version 3.11 \
        --generate-hashes --no-emit-index-url --no-emit-find-links --no-header --no-annotate \
        $(if $(UPGRADE),--upgrade)
GUIDE := cds/web/pages/guide_pages

.DEFAULT_GOAL := help
.PHONY: help setup setup-spark demo serve guide pictures renew test bench soak faults mutate check lint types fmt lock clean

help: ## list the targets
	@awk -F ':.*## ' '/^[a-z-]+:.*## / {printf "  make %-11s %s\n", $$1, $$2}' $(MAKEFILE_LIST)

setup: $(VENV)/.dev $(VENV)/.guide ## everything needed to work on Nuque

setup-spark: $(VENV)/.spark ## the same, and Apache Spark (500 MB; needs Java 17 or newer)

demo: $(VENV)/.run ## decide every invented patient in demo_bundles/ (ARGS=13 shows one)
	$(BIN)/nuque demo $(ARGS)

serve: $(VENV)/.run $(VENV)/.guide ## run the service on this machine only
	$(BIN)/nuque serve $(ARGS)

guide: $(VENV)/.guide ## docs/ as the web pages that the service shows at /docs/guide

pictures: $(VENV)/.dev ## take the pictures of the README anew (needs Chromium)
	$(BIN)/python -m tests.docs.pictures

renew: $(VENV)/.dev ## write anew what pages and the package say of rules and code (two minutes)
	$(BIN)/python -m tests.lints.developer_map
	$(BIN)/python -m tests.docs.python_page
	$(BIN)/python -m tests.docs.fhir_example
	$(BIN)/nuque rules evidence > docs/evidence.md
	$(BIN)/python -m tests.cds.site.shipped_verdict

# With TEST_EXIT_FILE the code of pytest goes to that file and make itself succeeds, so that a caller gets
# pytest's own code (make would turn every failure into 2) and pytest's summary stays the last line.
test: $(VENV)/.dev ## run all tests
	@code=0; $(BIN)/python -m pytest -n $(JOBS) --dist loadgroup $(ARGS) || code=$$?; \
	if [ -n "$(TEST_EXIT_FILE)" ]; then echo $$code > "$(TEST_EXIT_FILE)"; else exit $$code; fi

bench: $(VENV)/.dev ## speed and memory, as ratios against a floor measured in the same run
	@command -v wrk >/dev/null || { apt-get update -qq && apt-get install -y -qq --no-install-recommends wrk >/dev/null; }
	$(BIN)/python -m tests.bench $(ARGS)

soak: $(VENV)/.dev ## ten minutes of steady load on a real process: no failure, flat memory (ARGS=--hostile: a minute of attacks; --outages: kills and frozen stores)
	$(BIN)/python -m tests.load.soak $(ARGS)

faults: $(VENV)/.dev ## plant known faults and take out controls, one by one: the test named for each must fail (slow)
	$(BIN)/python -m tests.planted $(ARGS)

mutate: $(VENV)/.dev ## mutate the code, a sample of 600 (an hour on two cores; stopped, it goes on where it was)
	CI=true nice -n 15 $(BIN)/python -m tests.mutation run $(ARGS)

check: lint types ## what must pass before a push: lint, format, types, all tests but the slow ones
	$(BIN)/python -m tests.mutation changed
	$(BIN)/python -m pytest -q -n $(JOBS) --dist loadgroup -m "not slow" $(ARGS)

lint: $(VENV)/.dev ## lint, format check, imports that go down only, no idle test, no evidence that is gone, what tests say of the tree
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/lint-imports
	$(BIN)/python -m tests.lints.empty_loops
	$(BIN)/python -m tests.lints.named_tests
	$(BIN)/python -m pytest -q -m tree $$(grep -rl "mark\.tree" tests)

types: $(VENV)/.dev ## strict type check of rules and cds
	$(BIN)/mypy

fmt: $(VENV)/.dev ## format, and fix what can be fixed
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

lock: $(VENV)/.build ## pin all dependencies with hashes (UPGRADE=1: to the newest releases)
	$(LOCK) --group build --output-file .requirements/build.txt
	$(LOCK) pyproject.toml --extra engine --extra workbench --extra postgres --constraints .requirements/build.txt --output-file .requirements/run.txt
	$(LOCK) pyproject.toml --extra engine --extra gate --extra postgres --constraints .requirements/run.txt --output-file .requirements/service.txt
	$(LOCK) pyproject.toml --extra dev --constraints .requirements/build.txt --constraints .requirements/run.txt --output-file .requirements/dev.txt
	$(LOCK) pyproject.toml --extra engine --extra spark --extra workbench --extra postgres --constraints .requirements/dev.txt --output-file .requirements/spark.txt
	rm -f .requirements/lowest.txt
	$(LOCK) pyproject.toml --resolution lowest-direct --extra engine --extra workbench --extra postgres --extra otel --output-file .requirements/lowest.txt

clean: ## remove the environment and everything that was generated
	rm -rf $(VENV) .mypy_cache .pytest_cache .ruff_cache .hypothesis .coverage htmlcov build dist out mutants $(GUIDE)
	find rules cds tests -name __pycache__ -type d -prune -exec rm -rf {} +

# The environment, what building needs, what running needs, and what developing needs on top of it.
$(VENV)/.venv:
	@sh .ci/preflight "$(PYTHON)"
	@echo "Making $(VENV) ..."
	@"$(PYTHON)" -m venv "$(VENV)"
	@touch $@

$(VENV)/.build: $(VENV)/.venv .requirements/build.txt
	@$(INSTALL)
	@touch $@

$(VENV)/.run: $(VENV)/.venv .requirements/install .requirements/build.txt .requirements/run.txt pyproject.toml
	@echo "Installing what Nuque needs to run (a minute or two, once) ..."
	@$(INSTALL) run
	@$(BIN)/python -m pip -qq install --no-deps --no-build-isolation --editable .
	@touch $@

$(VENV)/.guide: $(VENV)/.build $(wildcard docs/*.md docs/deploy/*.md docs/pictures/* docs/guide/* docs/guide/*/* docs/guide/*/*/*) cds/web/pages/static/pages.css
	@$(BIN)/python docs/guide/build.py $(GUIDE)
	@touch $@

$(VENV)/.dev: $(VENV)/.run .requirements/dev.txt
	@echo "Installing what developing Nuque needs (a minute or two, once) ..."
	@$(INSTALL) dev
	@touch $@

$(VENV)/.spark: $(VENV)/.dev .requirements/spark.txt
	@echo "Installing Apache Spark (a minute or two, once) ..."
	@$(INSTALL) spark
	@touch $@
