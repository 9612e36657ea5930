#!/bin/sh
# Style, types, import contracts, migrations, system checks, API document. Stops at the first that fails.
set -eu
cd "$(dirname "$0")/.."

DATA_DIR=$(mktemp -d)
export DATA_DIR
trap 'rm -rf "$DATA_DIR"' EXIT INT TERM
unset DATABASE_URL REDIS_URL DEBUG PUBLIC_URL 2>/dev/null || true

# Says what it checks; shows what the check says only when it fails.
step() {
    printf '%s\n' "- $1"
    shift
    "$@" >"$DATA_DIR/said" 2>&1 || { cat "$DATA_DIR/said" >&2; exit 1; }
}

bin=.venv/bin
step "style" $bin/ruff check --quiet .
step "types" $bin/mypy --no-error-summary
step "import contracts" $bin/lint-imports
step "system checks" $bin/python manage.py check --fail-level WARNING --verbosity 0
step "migrations" $bin/python manage.py makemigrations --check --dry-run
step "API document" $bin/python manage.py spectacular --validate --fail-on-warn --file /dev/null
