# Two commands on a fresh machine: `make demo` (the main job on the demo case) and `make test`.
# Each builds a stamped .venv by itself and needs only Debian's python3, python3-venv and make.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.stamp
DEV_STAMP := $(VENV)/.stamp-dev
# Kernels compiled once on both cores, before two workers would each do it.
COMPILED := $(BIN)/python -m tests.makers.compiled

.PHONY: demo view test check lint types coverage elsewhere bench clean

$(VENV)/bin/python:
	$(PYTHON) -m venv $(VENV)

$(STAMP): pyproject.toml constraints.txt | $(VENV)/bin/python
	$(BIN)/python -m pip install -q --disable-pip-version-check -c constraints.txt -e '.[app,sweep]'
	touch $(STAMP)

$(DEV_STAMP): pyproject.toml constraints.txt | $(VENV)/bin/python
	$(BIN)/python -m pip install -q --disable-pip-version-check -c constraints.txt -e '.[dev]'
	touch $(STAMP) $(DEV_STAMP)

demo: $(STAMP)
	$(BIN)/hingewise demo -o demo_out

view: $(STAMP)
	$(BIN)/hingewise view sample_meshes/demo_case.toml

test: $(DEV_STAMP)
	$(COMPILED)
	$(BIN)/python -m pytest -q -n 2 --dist loadgroup

lint: $(DEV_STAMP)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(DEV_STAMP)
	$(BIN)/mypy

check: lint types test

coverage: $(DEV_STAMP)
	$(COMPILED)
	$(BIN)/python -m pytest -q -n 2 --dist loadgroup --cov --cov-fail-under=95 \
	  --ignore=tests/browser --ignore=tests/whole/test_notebooks.py --ignore=tests/whole/test_packaging.py

# The wheel's own tests in an environment outside the repository; PYTHON=python3.13 chooses another.
elsewhere: $(DEV_STAMP)
	set -e; d=$$(mktemp -d); mkdir $$d/x; $(BIN)/python -m build -q -o $$d/dist .; \
	$(PYTHON) -m venv $$d/venv; \
	$$d/venv/bin/python -m pip install -q -c constraints.txt "$$(ls $$d/dist/*.whl)[dev]"; \
	tar xzf $$d/dist/*.tar.gz -C $$d/x --strip-components=1; rm -r $$d/x/kinematics $$d/x/viewer; \
	cd $$d/x; $$d/venv/bin/python -m pytest -q -n 2 --dist loadgroup; rm -r $$d

bench: $(DEV_STAMP)
	$(BIN)/python -m tests.benchmarks.run --full -o bench_out/bench.json

clean:
	rm -rf $(VENV) demo_out bench_out .pytest_cache .ruff_cache .mypy_cache .coverage*
