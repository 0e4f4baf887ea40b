PYTHON ?= python3
BIN := .venv/bin

.PHONY: demo install test check coverage mutants static format lock locked audit sbom docs lowest rendered

demo: install
	$(BIN)/combwright triage demo_images --flock demo_images/flock.csv --on 2026-10-04 --out demo_report
	@echo "The report is at $(CURDIR)/demo_report/triage.html"

install: .venv/installed

.venv/installed: pyproject.toml
	$(PYTHON) -m venv .venv
	$(BIN)/pip install --quiet --disable-pip-version-check -e .
	@touch $@

.venv/installed-test: .venv/installed
	$(BIN)/pip install --quiet --disable-pip-version-check -e '.[test]'
	@touch $@

PYTEST := $(BIN)/python -m pytest -n auto --maxprocesses 4 --dist loadfile

test: .venv/installed-test
	$(PYTEST) $(OPTIONS)

check: static
	$(PYTEST) -m "not browser and not slow"

coverage:
	$(MAKE) test OPTIONS="--cov --cov-report=term:skip-covered"

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
	$(BIN)/pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/pip install --quiet --disable-pip-version-check --no-deps -e .
	@touch .venv/installed .venv/installed-test

# Make the lock file anew; pins that still fit stay (--upgrade, in OPTIONS, takes the newest).
lock: .venv/installed-test
	$(BIN)/pip install --quiet --disable-pip-version-check uv
	$(BIN)/uv pip compile --quiet --generate-hashes --universal $(OPTIONS) --extra test --python-version 3.11 pyproject.toml -o requirements.lock

# Known weaknesses of what is installed; where their list can't be reached, that is said.
audit: .venv/installed-test
	$(BIN)/pip install --quiet --disable-pip-version-check pip-audit
	$(BIN)/python -m benchmarks.audit

# The fast tests on the lowest versions that pyproject.toml allows, and without PyTorch.
LOWEST := .venv-lowest/bin
LOWEST_TESTS ?= tests/genetics tests/published tests/service tests/classifier tests/test_public.py
lowest: .venv/installed-test
	$(BIN)/pip install --quiet --disable-pip-version-check uv
	$(PYTHON) -m venv --clear .venv-lowest
	$(BIN)/uv pip install --quiet --python $(LOWEST)/python --resolution lowest-direct -r requirements-light.txt
	$(LOWEST)/pip freeze > .venv-lowest/pinned.txt
	$(LOWEST)/pip install --quiet --disable-pip-version-check --constraint .venv-lowest/pinned.txt \
	  pytest pytest-xdist pytest-cov hypothesis httpx jsonschema pypdf krippendorff "psycopg[binary]" scikit-learn packaging \
	  "pyarrow<19" fsspec pandas networkx procrastinate
	$(LOWEST)/pip install --quiet --disable-pip-version-check --no-deps -e .
	$(LOWEST)/python -m pytest -n auto --maxprocesses 4 --dist loadfile -m "not browser and not slow" \
	  $(LOWEST_TESTS) \
	  --ignore tests/service/web/test_schema.py  # its tool wants newer versions

# The renderer's tests: they need bpy (374 MB, Python 3.11 alone) and what it opens even without a window,
# libgl1 libegl1 libxi6 libxrender1 libxkbcommon0 libsm6 libxfixes3 libxxf86vm1.
rendered: .venv/installed-test
	$(BIN)/pip install --quiet --disable-pip-version-check -e '.[test,render]'
	$(BIN)/python -m pytest tests/classifier/test_render.py

# The documentation as pages in build/site; needs no net.
docs: .venv/installed-test
	$(BIN)/python docs/reference.py
	$(BIN)/mkdocs build --strict

sbom: .venv/installed-test
	$(BIN)/pip install --quiet --disable-pip-version-check cyclonedx-bom
	$(BIN)/cyclonedx-py environment $(BIN)/python --output-format JSON --output-file sbom.json
	@echo "sbom.json"
