# Two commands do everything: `make run` and `make test`. Both set up what they need first.

PORT ?= 8000
SERVE ?= yes
PYTHON_OF_VENV = .venv/bin/python

.PHONY: help setup run test check vendor lock
.DEFAULT_GOAL := help

help:
	@echo 'make run               set up, fill the demo and serve it on http://localhost:$(PORT)/ until Ctrl-C'
	@echo 'make run SERVE=no      the same without serving; ends after the summary'
	@echo 'make run PORT=8001     serve on another port'
	@echo 'make test              set up what tests need, then all checks and all tests'
	@echo 'make check             style, types, import contracts, migrations, API document'
	@echo 'make vendor            copy the front-end files named in package.json into the tree (needs node)'
	@echo 'make lock              compile the locks in requirements/ anew'

setup:
	@sh .ci/setup.sh run

run: setup
	@PORT='$(PORT)' $(PYTHON_OF_VENV) manage.py demo $(if $(filter no NO No 0 false off,$(SERVE)),--no-serve)

test:
	@sh .ci/setup.sh test
	@sh .ci/check.sh
	@sh .ci/test.sh

check:
	@sh .ci/setup.sh dev
	@sh .ci/check.sh

vendor:
	npm ci --silent --userconfig .ci/npmrc
	npm run --silent vendor

lock: setup
	$(PYTHON_OF_VENV) -m pip install --quiet uv
	cd requirements && for set in runtime dev; do \
	  ../.venv/bin/uv pip compile --quiet --universal --python-version 3.11 --upgrade --generate-hashes \
	    --no-emit-index-url --no-header $$set.in --output-file $$set.txt || exit 1; \
	done
