# SPDX-License-Identifier: GPL-3.0-or-later
# make report   the demo board from netlist to report        make test    linters and the quick tests
# make slow     the long tests                               make bench   the benchmarks
# make lint     linters and types alone                      make lock    refresh requirements-lock.txt
# make pages    simulate and rewrite the pages of harness/pages/
# make clean    remove .venv and what was built; reports stay

BOARD := netlists/boards/kestrel/kestrel.board.toml
REPORT := reports/kestrel/A
PYTHON ?=
READY := .venv/set-up-done
RUN := .venv/bin/python -m

.PHONY: report test slow bench lint lock pages clean engine
.DELETE_ON_ERROR:

# Ends 0 once the report is there, also where the board falls short (1): the command says in words what does.
# A page that would come out the same is not drawn again; run.json is written by every run.
report: $(READY) engine
	@touch .venv/report-begun
	@$(RUN) harness run $(BOARD) --out $(REPORT); code=$$?; test $$code -le 1 || exit $$code
	@test $(REPORT)/run.json -nt .venv/report-begun -a -s $(REPORT)/report.html || \
		{ echo "No report was written."; exit 3; }

test: lint engine
	$(RUN) pytest -n auto

slow: $(READY) engine
	$(RUN) pytest -m slow -n auto --ignore=tests/bench

bench: $(READY) engine
	$(RUN) pytest tests/bench -m "slow or not slow" -s

pages: $(READY) engine
	.venv/bin/python tests/bench/write_pages.py

lint: $(READY)
	$(RUN) ruff check .
	$(RUN) ruff format --check --quiet .
	$(RUN) mypy

lock: $(READY)
	.ci/lock $(OPTIONS)

engine: $(READY)
	@.ci/engine-library

$(READY): requirements-lock.txt pyproject.toml .ci/set-up
	@.ci/set-up $(PYTHON)
	@touch $@

clean:
	rm -rf .venv build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis
