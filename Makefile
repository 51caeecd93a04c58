# The verbs of the house. `make` alone lists them.
SHELL := /bin/bash
.DEFAULT_GOAL := help
.SUFFIXES:

PYTHON ?= python3
SPEED ?= 60
HTTP ?= 8651
AREA ?= spine
JOBS ?= 2
SCRATCH ?=
DEMO_DATA ?= .soakwarden/$(if $(SCRATCH),scratch,demo)
ROOT ?= /
DRY ?=
BIN := .venv/bin
RUN_STAMP := .venv/ready-to-run
TEST_STAMP := .venv/ready-to-test
UV ?= uv
LOCK = $(UV) pip compile pyproject.toml --quiet --universal --python-version 3.11 --generate-hashes --no-annotate \
  --custom-compile-command 'make lock' $(UPGRADE)
PIP := $(BIN)/python -m pip --disable-pip-version-check --no-input install --require-hashes --only-binary :all:

.PHONY: help run test check campaign bench rehearse tables firmware prove lock install clean

help: ## list the verbs
	@echo "Soakwarden. What you can say:"
	@sed -n 's/^\([a-z]*\):.*## \(.*\)/  make \1|\2/p' $(MAKEFILE_LIST) | awk -F'|' '{ printf "%-18s%s\n", $$1, $$2 }'
	@echo "Settings: SPEED=$(SPEED) HTTP=$(HTTP) AREA=$(AREA) JOBS=$(JOBS) PYTHON=$(PYTHON)"

run: $(RUN_STAMP) ## start the simulated chamber, controller and page (SPEED=60 HTTP=8651; SCRATCH=1: not proven yet)
	@echo "Starting a SIMULATED chamber at $(SPEED) times real speed. No device is opened. Ctrl-C ends it."
	@exec $(BIN)/python -m controller.cli serve --demo $(if $(SCRATCH),--from-scratch) --speed $(SPEED) --data $(DEMO_DATA) --http $(HTTP)

test: $(TEST_STAMP) ## install what the tests need, lint, and run every test (under ten minutes)
	@$(MAKE) --no-print-directory system-packages
	@lint=0; $(MAKE) --no-print-directory check || { lint=1; echo "The lint failed (above); the tests run all the same." >&2; }; \
	$(BIN)/python -m pytest -n $(JOBS) --dist loadfile --ignore tests/browser || lint=1; \
	$(BIN)/python -m pytest tests/browser -n $(JOBS) --dist loadfile && exit $$lint

check: $(TEST_STAMP) ## lint only: ruff, mypy --strict, the import contracts
	$(BIN)/ruff check controller api tests
	$(BIN)/mypy
	$(BIN)/lint-imports

campaign: $(TEST_STAMP) ## the long tests: many more examples, and those that take minutes
	@$(MAKE) --no-print-directory system-packages
	@HYPOTHESIS_PROFILE=campaign $(BIN)/python -m pytest -n $(JOBS) --dist loadfile --ignore tests/browser -m "" --timeout 1800

bench: $(TEST_STAMP) ## measure the figures, print one table, write bench.json (AREA=spine)
	@$(BIN)/python -m tests.bench $(AREA)

rehearse: $(RUN_STAMP) ## run the demo schedule in virtual time: 16 hours in seconds
	@$(BIN)/python -m controller.cli rehearse

tables: $(TEST_STAMP) ## write the tables of guards, events, commands and routes into the manual
	@$(BIN)/python -m tests.tables

firmware: firmware-tools ## build the board's firmware and print its size
	@command -v avr-gcc >/dev/null 2>&1 || { echo "avr-gcc is missing. On Debian: apt install $(FIRMWARE_PACKAGES)" >&2; exit 1; }
	@$(MAKE) --no-print-directory -C hardware_notes/reference_firmware all size

prove: $(TEST_STAMP) prove-tools ## have a prover show the contract of the board's decisions (minutes; writes proof.md)
	@$(BIN)/python -m tests.board.prove

lock: ## write both requirements files again from pyproject.toml (needs uv); UPGRADE=--upgrade takes newer versions
	$(LOCK) -o requirements.txt
	$(LOCK) --extra test -c requirements.txt -o requirements-test.txt

install: python ## install the services on this computer: sudo make install (DRY=--dry-run only prints the steps)
	@PYTHONPATH=. $(PYTHON) -B -s -m controller.install install --root "$(ROOT)" $(DRY)

clean: ## remove the environment, caches and the demo's data
	rm -rf .venv .soakwarden .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache build dist *.egg-info
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

# --- not for typing ---------------------------------------------------------------------------------------------------

.PHONY: python system-packages checkers firmware-tools prove-tools peers

python:
	@command -v $(PYTHON) >/dev/null 2>&1 \
	  || { echo "python3 is missing. On Debian: apt install python3 python3-venv" >&2; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	  || { echo "$(PYTHON) is older than 3.11. Name a newer one, as in: make run PYTHON=python3.11" >&2; exit 1; }
	@$(PYTHON) -c 'import venv, ensurepip' 2>/dev/null \
	  || { echo "Python's venv module is missing. On Debian: apt install python3-venv" >&2; exit 1; }

# An environment whose interpreter no longer runs (Python upgraded or removed) is made anew.
$(shell [ ! -d .venv ] || $(BIN)/python -c '' 2>/dev/null || rm -f $(RUN_STAMP) $(TEST_STAMP))

$(RUN_STAMP): requirements.txt pyproject.toml | python
	@$(BIN)/python -c '' 2>/dev/null \
	  || { echo "1/3 Making the environment in .venv ..."; $(PYTHON) -m venv --clear .venv; }
	@echo "2/3 Installing the libraries, each checked against its hash (once; about half a minute) ..."
	@$(PIP) --quiet -r requirements.txt
	@echo "3/3 Linking the program into the environment ..."
	@$(BIN)/python -c "$$LINK"
	@touch $@

$(TEST_STAMP): requirements-test.txt $(RUN_STAMP)
	@echo "Installing what the tests need, each library checked against its hash ..."
	@$(PIP) --quiet -r requirements-test.txt
	@touch $@

# A path file instead of an editable install: no build backend has to be fetched, and the folder may be moved. The
# metadata beside it is what tells the program its own version.
define LINK
import pathlib, sysconfig, tomllib
site = pathlib.Path(sysconfig.get_path("purelib"))
steps = len(site.relative_to(pathlib.Path(".venv").resolve()).parts) + 1
(site / "soakwarden.pth").write_text("/".join([".."] * steps) + "\n")
version = tomllib.loads(pathlib.Path("pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
about = site / "soakwarden-0.dist-info"
about.mkdir(exist_ok=True)
(about / "METADATA").write_text(f"Metadata-Version: 2.1\nName: soakwarden\nVersion: {version}\n")
program = pathlib.Path(".venv/bin/soakwarden")
program.write_text('#!/bin/sh\nexec "$$(dirname "$$0")/python" -m controller.cli "$$@"\n')
program.chmod(0o755)
endef
export LINK

# What the tests need beside Python: looked for, installed where that is allowed, named where it is not.
# $(1) how to look, $(2) the packages, $(3) what does not happen without them.
define NEED
@if { $(1); } >/dev/null 2>&1; then :; \
elif [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then \
  echo "Installing $(2) ..."; \
  { apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -qq -y --no-install-recommends $(2); } >/dev/null 2>&1 \
  || echo "That could not be installed: $(3). Missing: $(2)"; \
else echo "Not here: $(3). Missing: $(2)"; fi
endef

system-packages: checkers firmware-tools peers
	$(call NEED,command -v chromium,chromium fonts-dejavu-core,the browser tests are skipped)

# The service manager's own checker reads and scores the units; openssl makes certificates for the doctor's tests, ip two hosts with a cable between them.
checkers:
	$(call NEED,command -v systemd-analyze && command -v openssl && command -v ip,systemd openssl iproute2,the tests of units and certificates and a second host are skipped)

# The board's firmware is built by a compiler of its own and run in an emulator.
HAVE_AVR := command -v avr-gcc && command -v cppcheck && command -v gcc && [ -e /usr/lib/avr/include/avr/io.h ] \
  && [ -e /usr/include/simavr/sim_avr.h ] && [ -e /usr/include/libelf.h ]
firmware-tools:
	$(call NEED,$(HAVE_AVR),gcc-avr avr-libc libsimavr-dev libelf-dev gcc libc6-dev cppcheck,the tests of the board's firmware are skipped)

# A Modbus server on somebody else's library is compiled in a test.
peers:
	$(call NEED,[ -e /usr/include/modbus/modbus.h ] && command -v gcc,libmodbus-dev gcc libc6-dev,the tests against a libmodbus server are skipped)

# The provers are big (about 1.5 GB); only `make prove` asks for them.
prove-tools:
	$(call NEED,command -v frama-c && command -v cvc4 && command -v clang,frama-c-base why3 z3 cvc4 gcc libc6-dev clang libclang-rt-14-dev clang-tidy,nothing is proven)
