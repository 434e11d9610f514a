# Two commands do all the set-up on a fresh machine: `make demo` and `make test`.
VENV ?= .venv
BIN := $(VENV)/bin
PYTHON ?= $(shell for p in python3.13 python3.12 python3.11 python3; do \
	$$p -c 'import sys, venv, ensurepip; raise SystemExit(not (3, 11) <= sys.version_info[:2] <= (3, 13))' \
	>/dev/null 2>&1 && { echo $$p; break; }; done)
export OMP_NUM_THREADS ?= 2
export PYTHONWARNINGS ?= default

.PHONY: demo test test-slow lint types coverage docs dist wheels minimum clean

$(VENV)/.ready: requirements.lock pyproject.toml
	@test -n "$(PYTHON)" || { echo "crossproof needs Python 3.11, 3.12 or 3.13 (with venv and ensurepip); none was found."; exit 2; }
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@echo "Installing the pinned packages into $(VENV) (a few minutes the first time) ..."
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check -r requirements.lock
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $@

demo: $(VENV)/.ready
	@$(BIN)/crossproof run demo_genotypes --cores 2 --allow-findings

test: $(VENV)/.ready
	@$(BIN)/python -m pytest

test-slow: $(VENV)/.ready
	@$(BIN)/python -m pytest -m slow -x -v

lint: $(VENV)/.ready
	@$(BIN)/ruff check . && $(BIN)/ruff format --check . && $(BIN)/snakefmt --check Snakefile workflow
	@$(BIN)/snakemake --lint --configfile demo_genotypes/config.yaml

types: $(VENV)/.ready
	@$(BIN)/mypy src

coverage: $(VENV)/.ready
	@COVERAGE_FILE=.coverage $(BIN)/python -m coverage run --branch \
		--source=src/crossproof/model,src/crossproof/inference,src/crossproof/rates \
		-m pytest -q tests/model tests/inference tests/rates
	@$(BIN)/python -m coverage report --show-missing --skip-covered --precision=1 --fail-under=95

# Built twice from one commit, anywhere and at any time, the files are the same to the byte.
dist: $(VENV)/.ready
	@rm -rf dist
	@SOURCE_DATE_EPOCH=$${SOURCE_DATE_EPOCH:-$$(git log -1 --format=%ct)} \
		$(BIN)/python -m build --no-isolation --outdir dist . >/dev/null
	@cd dist && sha256sum *

# These two fetch packages.
wheels: $(VENV)/.ready
	@$(BIN)/python tests/release/try_wheel.py wheels

minimum: $(VENV)/.ready
	@$(BIN)/python tests/release/try_wheel.py minimum

docs: $(VENV)/.ready
	@NO_MKDOCS_2_WARNING=1 $(BIN)/mkdocs build --quiet --strict --config-file docs/tools/mkdocs.yml && echo "Written: build/site/index.html"

clean:
	rm -rf $(VENV) build dist demo_genotypes/results demo_genotypes/.crossproof demo_genotypes/.snakemake
