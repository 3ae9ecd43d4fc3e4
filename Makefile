# Thin names over plain commands. `make demo` and `make test` need make and Python 3.12 or newer, nothing else.
.PHONY: demo setup serve worker test test-long lint types contracts bench lock
.DEFAULT_GOAL := demo

BIN := .venv/bin
PYTEST := $(BIN)/python -m pytest --numprocesses 2 --dist worksteal --quiet
# The first of these that runs and is new enough makes .venv; the oldest first, as it has the most ready-made packages.
PYTHONS := python3.12 python3.13 python3.14 python3 python
NEW_ENOUGH := import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 12))

demo: setup
	@$(BIN)/python manage.py demo

# The packages are installed again only when requirements.lock has changed since; .venv keeps the copy it was made from.
# The planner's inner loops are compiled then, so that the first week does not wait for it.
setup:
	@if ! $(BIN)/python -c '$(NEW_ENOUGH)' 2>/dev/null; then \
	  for python in $(PYTHONS); do \
	    if $$python -c '$(NEW_ENOUGH)' >/dev/null 2>&1; then found=$$python; break; fi; \
	  done; \
	  if [ -z "$$found" ]; then \
	    echo "Trimround needs Python 3.12 or newer, with its venv module; none of these runs here: $(PYTHONS)." >&2; \
	    echo "Install one, for instance: apt install python3.12 python3.12-venv, or brew install python@3.12" >&2; \
	    exit 1; \
	  fi; \
	  echo "Making .venv with $$($$found --version)"; \
	  rm -rf .venv && $$found -m venv .venv || exit 1; \
	fi; \
	if ! cmp -s requirements.lock .venv/requirements.lock; then \
	  echo "Installing the packages of requirements.lock (half a minute or so)"; \
	  $(BIN)/python -m pip install -qq --no-input --disable-pip-version-check --require-hashes -r requirements.lock \
	    && $(BIN)/python -c 'from scheduling.planner.warm import warm; warm()' \
	    && cp requirements.lock .venv/requirements.lock || exit 1; \
	fi

serve: setup
	@$(BIN)/python manage.py serve

worker: setup
	@$(BIN)/python -m celery --app trimmer.celery:app worker --loglevel INFO

# The suite on SQLite, then all that touches a database once more on PostgreSQL; test-long has the tests that take more
# than about five seconds each, on SQLite unless told otherwise: make test-long DATABASES="sqlite postgresql"
DATABASES = sqlite
test: DATABASES = sqlite postgresql
test: CHOSEN = not slow
test-long: CHOSEN = slow
test test-long: setup
	@failed=0; \
	for database in $(DATABASES); do \
	  echo "Tests on $$database: $(CHOSEN)"; \
	  chosen="$(CHOSEN)"; if [ $$database = postgresql ]; then chosen="$$chosen and not browser"; fi; \
	  TRIMROUND_TEST_DATABASE=$$database $(PYTEST) -m "$$chosen" || failed=1; \
	done; \
	exit $$failed

lint: setup
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check .

types: setup
	@$(BIN)/mypy

contracts: setup
	@$(BIN)/lint-imports

# Figures of speed and memory, many minutes; one subject alone: make bench SUBJECT=weeks
bench: setup
	@$(BIN)/python -m tests.bench $(SUBJECT)

lock: setup
	@UV_PYTHON_DOWNLOADS=never $(BIN)/uv pip compile pyproject.toml --group dev --universal --generate-hashes \
	  --no-emit-index-url --no-header --no-annotate --python-version 3.12 --quiet --output-file requirements.lock
