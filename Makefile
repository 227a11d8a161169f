# SPDX-License-Identifier: GPL-3.0-or-later
# Everything here works from a fresh clone, with no virtual environment active. Paths are relative,
# so that a clone may lie in a folder with spaces in its name.

SHELL := /bin/sh
.DEFAULT_GOAL := help

# A caller's own modules must not shadow those of this checkout.
unexport PYTHONPATH
unexport PYTHONHOME

ifeq ($(OS),Windows_NT)
BIN := Scripts
else
BIN := bin
endif
PY := .venv/$(BIN)/python

# The releases of Blender that are supported, and the Python that bpy exists for.
HOSTS := 4.2 4.5 5.0 5.2
PYTHON_FOR_4.2 := 3.11
PYTHON_FOR_4.5 := 3.11
PYTHON_FOR_5.0 := 3.11
PYTHON_FOR_5.2 := 3.13

.PHONY: help setup demo test matrix venvs window browser lint samples extension bench fuzz release detection faults clean distclean

help:
	@echo 'make setup      make .venv with everything in it (bpy is about 400 MB, once)'
	@echo 'make demo       block the jump of the hare; pictures and a .blend in build/demo'
	@echo 'make test       all tests that need no window, on the bpy of .venv'
	@echo 'make matrix     the same on every supported bpy; HOSTS="4.2 5.2" for some of them'
	@echo 'make window     the tests in a real window: make window BLENDER=/path/to/blender'
	@echo 'make browser    the tests of the report in a browser (Chromium)'
	@echo 'make lint       ruff, mypy and the layers'
	@echo 'make samples    build the files of blend_samples again, with bpy 4.2'
	@echo 'make extension  build the zip that Blender installs, into build/extension'
	@echo 'make bench      measure the speed: one table of every figure and its aim'
	@echo 'make fuzz       try everything with anything; SECONDS=60 for a short while'
	@echo 'make release    check, build and try wheel, source archive and extension, into dist'
	@echo 'make detection  print which controls are found on every kind of rig'
	@echo 'make faults     seed every kind of fault and print how many the check finds'
	@echo 'make clean      remove what was built; the virtual environments stay'
	@echo 'make distclean  remove them too'
	@echo
	@echo 'PYTHON=/path/to/python3.13 names a Python; else 3.13 or 3.11 is looked for, then uv.'

setup: .venv/.ready
	@echo 'ready: .venv'

.venv/.ready: pyproject.toml
	@sh tools/make-venv .venv '3.13 3.11' -e '.[all,dev]'
	@$(PY) tools/check_bpy.py
	@touch $@

.venv-%/.ready: pyproject.toml
	@test -n '$(PYTHON_FOR_$*)' || { echo 'no bpy $*: HOSTS are some of 4.2 4.5 5.0 5.2' >&2; exit 2; }
	@sh tools/make-venv .venv-$* '$(PYTHON_FOR_$*)' -e '.[batch,test]' 'bpy==$*.*' \
		|| { status=$$?; \
		     [ $$status -ne 2 ] || echo 'bpy $* cannot be tested without Python $(PYTHON_FOR_$*)' >&2; \
		     exit $$status; }
	@.venv-$*/$(BIN)/python tools/check_bpy.py
	@touch $@

demo: .venv/.ready
	@$(PY) blend_samples/demo.py --out build/demo

# PYTEST_ARGS goes to pytest as it is: make test PYTEST_ARGS='-k plan -n 2'
test: .venv/.ready
	@mkdir -p build/tests
	LEAPWRIGHT_REQUIRE_BPY=1 $(PY) -m pytest --ignore=tests/window --ignore=tests/browser \
		--junitxml build/tests/main.xml $(PYTEST_ARGS)

venvs: $(HOSTS:%=.venv-%/.ready)

matrix: venvs
	@PYTEST_ARGS='$(PYTEST_ARGS)' sh tools/matrix $(HOSTS)

lint: .venv/.ready
	$(PY) -m ruff check .
	$(PY) -m ruff format --check .
	$(PY) -m mypy
	.venv/$(BIN)/lint-imports

# BLENDER=/path/to/blender make window
window: .venv/.ready
	@mkdir -p build/tests
	@test -n "$$BLENDER" || { echo 'name a Blender with a window: make window BLENDER=/path/to/blender' >&2; exit 2; }
	$(PY) -m pytest -n 2 --dist loadfile --junitxml build/tests/window.xml $(PYTEST_ARGS) tests/window

# A browser that is not on the path: LEAPWRIGHT_BROWSER=/path/to/chromium make browser
browser: .venv/.ready
	@mkdir -p build/tests
	LEAPWRIGHT_REQUIRE_BROWSER=1 $(PY) -m pytest --junitxml build/tests/browser.xml $(PYTEST_ARGS) tests/browser

samples: .venv-4.2/.ready
	@.venv-4.2/$(BIN)/python blend_samples/build.py

extension: .venv/.ready
	@$(PY) tools/build_extension.py

detection: .venv/.ready
	@$(PY) tools/detection.py

faults: .venv/.ready
	@$(PY) tools/faults.py

bench: .venv/.ready
	@$(PY) tests/bench/bench.py

# atheris guides it; where there is none for this system it searches at random, and says so.
.venv/.fuzz: .venv/.ready
	@$(PY) -m pip install --quiet --disable-pip-version-check -e '.[fuzz]' || true
	@touch $@

SECONDS := 1800
fuzz: .venv/.fuzz
	@$(PY) tests/fuzz/run.py --seconds $(SECONDS)

release: .venv/.ready
	@$(PY) tools/release.py

clean:
	rm -rf build dist .mypy_cache .ruff_cache .pytest_cache .import_linter_cache .hypothesis
	find core addon tests tools blend_samples -name __pycache__ -type d -prune -exec rm -rf {} + 2>/dev/null || true

distclean: clean
	rm -rf .venv .venv-4.2 .venv-4.5 .venv-5.0 .venv-5.2
