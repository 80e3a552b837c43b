# Everything sets itself up: `make demo`, `make test`, `make bench`.
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin

.PHONY: demo test static compiled bench fuzz lint types licences unit sbom clean

demo: $(VENV)/.installed
	$(BIN)/mixwright demo demo

# What has to be compiled once is compiled while the other core looks at lint and types.
test:
	$(MAKE) -j 2 static compiled
	$(MAKE) unit

static: lint types licences

# The second is the test that compiles for any processor, too: what it compiles is kept as well.
compiled: $(VENV)/.installed-dev
	$(BIN)/python tests/compile_kernels.py
	$(BIN)/python -m pytest tests/test_other_processors.py

bench: $(VENV)/.installed-dev
	$(BIN)/python benchmarks/bench.py

# Looks for what breaks, see docs/reliability.md: `make fuzz MINUTES=30 ONLY=sheets SEED=7`.
MINUTES ?= 10
fuzz: $(VENV)/.installed-dev
	$(BIN)/python tests/fuzzing/run.py --minutes $(MINUTES) $(if $(ONLY),--only $(ONLY)) \
		$(if $(SEED),--seed $(SEED)) $(FUZZ)

lint: $(VENV)/.installed-dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/lint-imports

types: $(VENV)/.installed-dev
	$(BIN)/mypy

# Every package that is needed is pinned, is the one pinned, and may be used under our licence.
licences: $(VENV)/.installed-dev
	$(BIN)/python tests/licences.py

# Three at a time, since some wait for a browser or a clock; the tests of one file stay together: they
# share what they have made.
unit: $(VENV)/.installed-dev
	$(BIN)/python -m pytest -n 3 --dist loadfile

# What a release is made of, for its notes: dist/mixwright-VERSION.cdx.json. Downloads its own tool.
sbom:
	$(PYTHON) .ci/sbom.py

# $(VENV)/bin/python is made once; what is installed into it follows pyproject.toml and constraints.
$(BIN)/python:
	$(PYTHON) -m venv $(VENV)

$(VENV)/.installed: pyproject.toml constraints.txt | $(BIN)/python
	$(BIN)/python -m pip install -q --disable-pip-version-check -c constraints.txt -e .
	touch $@

$(VENV)/.installed-dev: pyproject.toml constraints.txt | $(BIN)/python
	$(BIN)/python -m pip install -q --disable-pip-version-check -c constraints.txt -e '.[dev]'
	touch $@ $(VENV)/.installed

clean:
	rm -rf $(VENV) demo dist build .mypy_cache .ruff_cache .pytest_cache .hypothesis
