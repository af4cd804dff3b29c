# Two commands do all the set-up on a fresh machine with Python 3.11 and make:  make demo   and   make test
PYTHON ?= $(shell command -v python3.11 || command -v python3)
BIN := .venv/bin
export PIP_DISABLE_PIP_VERSION_CHECK := 1

.PHONY: help install install-dev demo test lint study bench lock clean

help:
	@echo "make demo     environment, synthetic clinic, ingest, analysis, report; prints where to look"
	@echo "make test     environment with test tools, then lint, types and all tests (under 10 minutes)"
	@echo "make study    long simulations; says how long, resumes where it stopped"
	@echo "make bench    benchmarks; prints ratios against a baseline in the same run"
	@echo "make lock     renew the lock files from pyproject.toml (needs uv)"
	@echo "make clean    remove the environment, demo and study output"

install: .venv/.installed

install-dev: .venv/.installed-dev

.venv/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info[:2] == (3, 11) else "Python 3.11 is needed; say: make PYTHON=/path/to/python3.11")'
	$(PYTHON) -m venv .venv

.venv/.installed: requirements.lock pyproject.toml | .venv/bin/python
	@echo "Installing the locked packages: about a minute and 1.4 GB of disk, once."
	$(BIN)/python -m pip install --progress-bar on --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --no-deps --no-build-isolation -e .
	@touch $@

.venv/.installed-dev: requirements-dev.lock pyproject.toml | .venv/bin/python
	@echo "Installing the locked packages with the test tools: about a minute and 1.7 GB of disk, once."
	$(BIN)/python -m pip install --progress-bar on --require-hashes -r requirements-dev.lock
	$(BIN)/python -m pip install --quiet --no-deps --no-build-isolation -e .
	@touch $@

demo: .venv/.installed
	$(BIN)/examtally demo --out demo

test: .venv/.installed-dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy pipeline
	$(BIN)/pytest -q -n 2 --dist loadfile -m "not study and not benchmark_ratio"

study: .venv/.installed-dev
	$(BIN)/pytest -q -s -m study tests/simulation tests/faults

bench: .venv/.installed-dev
	$(BIN)/pytest -q -s -m benchmark_ratio tests/benchmarks

lock:
	uv pip compile pyproject.toml --group build --universal --python-version 3.11 --generate-hashes --no-header --no-annotate -o requirements.lock
	uv pip compile pyproject.toml --group build --extra dev --universal --python-version 3.11 --generate-hashes --no-header --no-annotate -o requirements-dev.lock

clean:
	rm -rf .venv demo study
