PYTHON ?= python3
BIN := .venv/bin

.PHONY: demo install test thorough check coverage mutants static format lock locked audit sbom docs lowest rendered

demo: install
	$(BIN)/combwright triage demo_images --flock demo_images/flock.csv --on 2026-10-04 --out demo_report
	@echo "The report is at $(CURDIR)/demo_report/triage.html"

install: .venv/installed

# uv installs within a minute what pip takes five for; pip is there if its downloads fail.
PIP := $(BIN)/pip install --quiet --disable-pip-version-check
UV := $(BIN)/uv pip install --quiet --python $(BIN)/python

.venv/installed: pyproject.toml
	$(PYTHON) -m venv .venv
	$(PIP) uv
	$(UV) -e . || $(PIP) -e .
	@touch $@

.venv/installed-test: .venv/installed
	$(UV) -e '.[test]' || $(PIP) -e '.[test]'
	@touch $@

# Files that take longest begin first (tests/conftest.py), so that none is waited for at the end.
PYTEST := $(BIN)/python -m pytest -n auto --maxprocesses 4 --dist loadfile --no-loadscope-reorder

test: .venv/installed-test
	$(PYTEST) -m "not long" $(OPTIONS)

# With the tests that take a minute each.
thorough: .venv/installed-test
	$(PYTEST) $(OPTIONS)

check: static
	$(PYTEST) -m "not browser and not slow and not long"

coverage:
	$(MAKE) thorough OPTIONS="--cov --cov-report=term:skip-covered"

mutants: .venv/installed-test
	$(BIN)/python -m benchmarks.mutants

static: .venv/installed-test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

format: .venv/installed-test
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

# Every package as requirements.lock pins it, with its hashes: what CI installs.
locked:
	$(PYTHON) -m venv .venv
	$(PIP) uv
	$(UV) --require-hashes -r requirements.lock || $(PIP) --require-hashes -r requirements.lock
	$(PIP) --no-deps -e .
	@touch .venv/installed .venv/installed-test

# Make the lock file anew; pins that still fit stay (--upgrade, in OPTIONS, takes the newest).
lock: .venv/installed-test
	$(BIN)/uv pip compile --quiet --generate-hashes --universal $(OPTIONS) --extra test --python-version 3.11 pyproject.toml -o requirements.lock

# Known weaknesses of what is installed; where their list can't be reached, that is said.
audit: .venv/installed-test
	$(UV) pip-audit
	$(BIN)/python -m benchmarks.audit

# The fast tests on the lowest versions that pyproject.toml allows, and without PyTorch.
LOWEST := .venv-lowest/bin
LOWEST_TESTS ?= tests/genetics tests/published tests/service tests/classifier tests/test_public.py
lowest: .venv/installed-test
	$(PYTHON) -m venv --clear .venv-lowest
	$(BIN)/uv pip install --quiet --python $(LOWEST)/python --resolution lowest-direct -r requirements-light.txt
	$(LOWEST)/pip freeze > .venv-lowest/pinned.txt
	$(BIN)/uv pip install --quiet --python $(LOWEST)/python --constraint .venv-lowest/pinned.txt \
	  pytest pytest-xdist pytest-cov hypothesis httpx jsonschema pypdf krippendorff "psycopg[binary]" scikit-learn packaging \
	  "pyarrow<19" fsspec pandas networkx procrastinate
	$(LOWEST)/pip install --quiet --disable-pip-version-check --no-deps -e .
	$(LOWEST)/python -m pytest -n auto --maxprocesses 4 --dist loadfile -m "not browser and not slow and not long" \
	  $(LOWEST_TESTS) \
	  --ignore tests/service/web/test_schema.py  # its tool wants newer versions

# The renderer's tests: they need bpy (374 MB, Python 3.11 alone) and what it opens even without a window,
# libgl1 libegl1 libxi6 libxrender1 libxkbcommon0 libsm6 libxfixes3 libxxf86vm1.
rendered: .venv/installed-test
	$(UV) -e '.[test,render]'
	$(BIN)/python -m pytest tests/classifier/test_render.py

# The documentation as pages in build/site; needs no net.
docs: .venv/installed-test
	$(BIN)/python docs/reference.py
	$(BIN)/mkdocs build --strict

sbom: .venv/installed-test
	$(UV) cyclonedx-bom
	$(BIN)/cyclonedx-py environment $(BIN)/python --output-format JSON --output-file sbom.json
	@echo "sbom.json"
