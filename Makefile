# The two commands everybody needs are `make` and `make test`; `make help` lists the rest.

LOGS ?= logs
OUT ?= reports
PYTHON ?= python3
export PIP_DISABLE_PIP_VERSION_CHECK = 1

VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
TESTS_READY := $(VENV)/.ready-tests
DEMO := fixtures/demo-week
DEMO_READY := $(DEMO)/.ready
SIMULATOR := $(filter-out fixtures/open/%,$(wildcard fixtures/*.py))
# What set-up makes once is made by these.
KEPT := $(addprefix pipeline/report/,bundle.py chart_templates.py shape.py theme.py)
HAVE_LOGS := $(shell find "$(LOGS)" -type f ! -name '.*' ! -name vehicle.toml ! -name logbook.toml -print -quit 2>/dev/null)

.PHONY: report test email note compare check bench soak demo clean help setup setup-tests fmt

ifneq ($(HAVE_LOGS),)
report: $(READY) ## set up what is missing, then report on LOGS (default logs/) into OUT (default reports/)
	@$(BIN)/sparkledger run "$(LOGS)" --out "$(OUT)"
else
report: $(READY) $(DEMO_READY)
	@echo "no logs in '$(LOGS)': showing the demo week of an invented car (put your logs there, or make LOGS=folder)"
	@$(BIN)/sparkledger run $(DEMO) --out "$(OUT)"
endif

test: $(TESTS_READY) ## set up what is missing, run all tests
	@$(BIN)/python -m pytest -n 2 --dist loadfile --no-loadscope-reorder

email: $(READY) ## SESSION=id TO=address [QUESTION="…"] [WITH=compare]: draft a message with the report attached
	@$(BIN)/sparkledger email "$(OUT)" "$(SESSION)" --to "$(TO)" $(if $(QUESTION),--question "$(QUESTION)") $(foreach w,$(WITH),--with $(w))

note: $(READY) ## TEXT="…" [KIND=repair]: add an entry to the logbook
	@mkdir -p "$(LOGS)"
	@$(BIN)/sparkledger note "$(LOGS)" "$(TEXT)" $(if $(KIND),--kind "$(KIND)")

compare: $(READY) ## A=id B=id: compare two sessions on matched operating points
	@$(BIN)/sparkledger compare "$(OUT)" "$(A)" "$(B)"

check: $(TESTS_READY) ## read-only checks: format, lint, types, tests and docs
	@$(BIN)/ruff format --check -q pipeline fixtures tests
	@$(BIN)/ruff check -q pipeline fixtures tests
	@$(BIN)/mypy
	@$(MAKE) --no-print-directory test

fmt: $(TESTS_READY) ## write the format the checks want
	@$(BIN)/ruff check --fix -q pipeline fixtures tests
	@$(BIN)/ruff format -q pipeline fixtures tests

bench: $(TESTS_READY) ## ratios against bare polars, and the judge against simulated truth
	@$(BIN)/python -m tests.bench
	@$(BIN)/python -m tests.judge

soak: $(TESTS_READY) ## long proofs: fuzzing and kills
	@$(BIN)/python -m tests.soak

demo: $(DEMO_READY) ## make the demo week's logs in fixtures/demo-week

clean: ## remove what was built (never your logs)
	@rm -rf $(VENV) $(DEMO) reports .mypy_cache .ruff_cache .pytest_cache .hypothesis
	@find pipeline fixtures tests report_templates -name __pycache__ -type d -prune -exec rm -rf {} +

help: ## this list
	@grep -hE '^[a-z]+:.*## ' $(MAKEFILE_LIST) | sort | sed -E 's/^([a-z]+):.*## /  make \1\t/' | expand -t 18

setup: $(READY)

setup-tests: $(TESTS_READY)

$(READY): .requirements.lock pyproject.toml $(KEPT)
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "sparkledger needs Python 3.11 or newer: install it, or say make PYTHON=python3.12" >&2; exit 1; }
	@$(PYTHON) -c 'import venv, ensurepip' 2>/dev/null || { echo "Python's venv module is missing: install it (on Debian: apt install python3-venv), then run make again" >&2; exit 1; }
	@echo "setting up (once): libraries into $(VENV)"
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@$(BIN)/python -m pip install -q --require-hashes -r .requirements.lock
	@$(BIN)/python -m pip install -q --no-build-isolation --no-deps -e .
	@$(BIN)/python -m pipeline.report.bundle --out $(VENV)/share/sparkledger
	@touch $@

$(TESTS_READY): $(READY) .requirements-test.lock
	@echo "setting up (once): test libraries into $(VENV)"
	@$(BIN)/python -m pip install -q --require-hashes -r .requirements-test.lock
	@touch $@

$(DEMO_READY): $(READY) $(SIMULATOR)
	@rm -rf $(DEMO)
	@$(BIN)/python -m fixtures.week $(DEMO)
	@touch $@
