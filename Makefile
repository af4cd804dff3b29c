# Two commands do all the set-up on a fresh machine with Python and make:  make demo   and   make test
SUPPORTED := 3.14 3.13 3.12 3.11
# The newest of them that runs here, else python3; `make PYTHON=/path/to/python3` names another.
PYTHON ?= $(firstword $(foreach version,$(SUPPORTED),$(shell python$(version) -c 'import sys; print(sys.executable)' 2>/dev/null)) python3)
BIN := .venv/bin
ifndef SEED
SEED := $(shell date +%s)
endif
export PIP_DISABLE_PIP_VERSION_CHECK := 1
unexport PYTHONDONTWRITEBYTECODE # tests start Python often: what it has compiled once, it keeps

.PHONY: help install install-dev install-notebook demo test coverage mutate study bench schemas lock check-lock audit dist clean

help:
	@echo "make demo              environment, synthetic clinic, ingest, analysis, report; prints where to look"
	@echo "make test              environment with test tools, then lint and all tests, types among them (under 10 minutes)"
	@echo "make coverage          the same tests, counting lines; fails below the floor in pyproject.toml"
	@echo "make mutate            break the package in each listed way and count what the tests notice; some minutes"
	@echo "make study             long simulations; says how long, resumes where it stopped"
	@echo "make bench             benchmarks against a baseline in the same run; fails where an aim is missed"
	@echo "make install-notebook  environment with Jupyter, and with what Quarto runs a report's cells with"
	@echo "make schemas           write the JSON Schemas of the files that people write anew"
	@echo "make lock              renew the lock files from pyproject.toml (needs uv)"
	@echo "make check-lock        every locked package but pyspark has a wheel for each Python and system (needs uv)"
	@echo "make audit             known faults of the locked packages, where a database of them can be reached"
	@echo "make dist              wheel, source archive and bill of materials into dist/"
	@echo "make clean             remove the environment, demo, study output and dist/"

install: .venv/.installed

install-dev: .venv/.installed-dev

install-notebook: .venv/.installed-notebook

.venv/bin/python:
	@command -v "$(PYTHON)" >/dev/null || { echo "No Python is found; examtally needs one of $(SUPPORTED)"; exit 1; }
	@"$(PYTHON)" -c 'import sys; now = "%d.%d" % sys.version_info[:2]; fits = now in sys.argv[1:]; print("Python %s at %s" % (now, sys.executable)) if fits else sys.exit("Python %s is not supported; examtally needs one of %s: make PYTHON=/path/to/python3" % (now, " ".join(sys.argv[1:])))' $(SUPPORTED)
	"$(PYTHON)" -m venv .venv

# Not compiled when installed: Python keeps what it has compiled of the few modules that are used.
define INSTALL
	@echo "Installing the packages of $<: a minute or two and up to 1.8 GB of disk, once."
	$(BIN)/python -m pip install --progress-bar on --no-compile --require-hashes -r $<
	$(BIN)/python -m pip install --quiet --no-deps --no-build-isolation -e .
	@touch $@
endef

.venv/.installed: requirements.lock pyproject.toml | .venv/bin/python
	$(INSTALL)

.venv/.installed-dev: requirements-dev.lock pyproject.toml | .venv/bin/python
	$(INSTALL)

.venv/.installed-notebook: requirements-notebook.lock pyproject.toml | .venv/bin/python
	$(INSTALL)

demo: .venv/.installed
	$(BIN)/examtally demo --out demo

test: .venv/.installed-dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	@echo "order of the tests: make test SEED=$(SEED)"
	$(BIN)/pytest -q -n 2 --dist loadfile --no-loadscope-reorder --shuffle $(SEED) -m "not study and not benchmark_ratio"

coverage: .venv/.installed-dev
	$(BIN)/pytest -q -n 2 --dist loadfile --cov --cov-report=term:skip-covered -m "not study and not benchmark_ratio"

mutate: .venv/.installed-dev
	$(BIN)/python tests/mutation/run.py

study: .venv/.installed-dev
	$(BIN)/pytest -q -s --shipped-demo -m study
	$(BIN)/pytest -q --hypothesis-profile study tests/property

bench: .venv/.installed-dev
	$(BIN)/pytest -q -s -m benchmark_ratio tests/benchmarks

COMPILE := uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-header --no-annotate pyproject.toml --group build
schemas: .venv/.installed
	for name in protocol study mapping scenario interventions; do \
	  .venv/bin/examtally schema $$name > schemas/json/new && mv schemas/json/new schemas/json/$$name.schema.json || exit 1; done

lock:
	$(COMPILE) -o requirements.lock
	$(COMPILE) --constraint requirements.lock --extra dev -o requirements-dev.lock
	$(COMPILE) --constraint requirements.lock --extra notebook --extra reports -o requirements-notebook.lock
	$(COMPILE) --constraint requirements.lock --extra spark -o requirements-spark.lock

SYSTEMS := x86_64-manylinux_2_28 aarch64-manylinux_2_28 aarch64-apple-darwin x86_64-pc-windows-msvc
check-lock:
	@for lock in requirements*.lock; do for version in $(SUPPORTED); do for system in $(SYSTEMS); do \
		echo "$$lock on Python $$version, $$system"; \
		uv pip compile --quiet --only-binary :all: --no-binary pyspark --python-version $$version --python-platform $$system $$lock >/dev/null || exit 1; \
	done; done; done

audit: .venv/.installed-dev
	$(BIN)/python .ci/audit.py requirements.lock

dist: .venv/.installed-dev
	rm -rf dist
	$(BIN)/python -m hatchling build
	$(BIN)/python -W ignore -m cyclonedx_py requirements requirements.lock --pyproject pyproject.toml --output-reproducible -o dist/examtally.cdx.json

clean:
	rm -rf .venv demo study dist
