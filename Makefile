# Two commands do all the set-up on a fresh machine: `make demo` and `make test`.
# The folder of the environment, and this one, may have any character in their names: recipes quote them in the
# shell and start programs by `python -m`, since the first line of a script cannot name every path.
VENV ?= .venv
export VENV
PY := "$$VENV/bin/python"
PYTHON ?= $(shell for p in python3.13 python3.12 python3.11 python3; do \
	$$p -c 'import sys, venv, ensurepip; raise SystemExit(not (3, 11) <= sys.version_info[:2] <= (3, 13))' \
	>/dev/null 2>&1 && { echo $$p; break; }; done)
export OMP_NUM_THREADS ?= 2
export PYTHONWARNINGS ?= default

.PHONY: demo test test-slow lint types coverage docs dist wheels minimum clean ready

ready:
	@test "$$VENV/.ready" -nt .requirements.hashes && test "$$VENV/.ready" -nt pyproject.toml || { \
	test -n "$(PYTHON)" || { echo "crossproof needs Python 3.11, 3.12 or 3.13 (with venv and ensurepip); none was found."; exit 2; }; \
	test -x $(PY) || $(PYTHON) -m venv "$$VENV" || exit; \
	echo "Installing the pinned packages into $$VENV (a few minutes the first time) ..."; \
	$(PY) -m pip install --quiet --disable-pip-version-check --require-hashes -r .requirements.hashes && \
	$(PY) -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e . && \
	touch "$$VENV/.ready"; }
	@test -z "$$(find src/crossproof/inference/family/kernel*.py -newer "$$VENV/.loops" 2>&1)" || { \
	echo "Compiling loops for this machine (once, some twenty seconds) ..."; \
	$(PY) -c 'from crossproof.inference.family.compiled_rounds import load; load()' && touch "$$VENV/.loops"; }

demo: ready
	@$(PY) -m crossproof.cli run demo_genotypes --cores 2 --allow-findings

test: ready
	@$(PY) -m pytest

test-slow: ready
	@$(PY) -m pytest -m slow -x -v

lint: ready
	@$(PY) -m ruff check . && $(PY) -m ruff format --check . && $(PY) -m snakefmt --check Snakefile workflow
	@$(PY) -m snakemake --lint --configfile demo_genotypes/config.yaml

types: ready
	@$(PY) -m mypy src

coverage: ready
	@COVERAGE_FILE=.coverage $(PY) -m coverage run --branch \
		--source=src/crossproof/model,src/crossproof/inference,src/crossproof/rates \
		-m pytest -q tests/model tests/inference tests/rates
	@$(PY) -m coverage report --show-missing --skip-covered --precision=1 --fail-under=95

# Built twice from one commit, anywhere and at any time, the files are the same to the byte.
dist: ready
	@rm -rf dist
	@SOURCE_DATE_EPOCH=$${SOURCE_DATE_EPOCH:-$$(git log -1 --format=%ct)} \
		$(PY) -m build --no-isolation --outdir dist . >/dev/null
	@cd dist && sha256sum *

# These two fetch packages.
wheels: ready
	@$(PY) tests/release/try_wheel.py wheels

minimum: ready
	@$(PY) tests/release/try_wheel.py minimum

docs: ready
	@NO_MKDOCS_2_WARNING=1 $(PY) -m mkdocs build --quiet --strict --config-file docs/tools/mkdocs.yml && echo "Written: build/site/index.html"

clean:
	rm -rf "$$VENV" build dist demo_genotypes/results demo_genotypes/.crossproof demo_genotypes/.snakemake
