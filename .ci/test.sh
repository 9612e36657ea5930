#!/bin/sh
# All tests in the embedded home (SQLite, browser), then what touches data once more in the server home.
#   test.sh [ARGUMENTS OF PYTEST]
# PYTEST_WORKERS sets how many run side by side (default: one more than there are cores, at most 4, since
# browsers and servers let a core wait).
set -eu
cd "$(dirname "$0")/.."

cores=$(nproc 2>/dev/null || echo 2)
workers=${PYTEST_WORKERS:-$((cores < 3 ? cores + 1 : 4))}
# A compiled module is read by every worker and every process that a test starts.
unset PYTHONDONTWRITEBYTECODE

# In the order of the folders: sorted by number of tests, the few long ones of the browser would come last and
# leave the other workers idle.
echo "Embedded home: SQLite"
env -u DATABASE_URL -u REDIS_URL .venv/bin/python -m pytest -n "$workers" --dist loadfile --no-loadscope-reorder "$@"

echo "Server home: PostgreSQL and Redis"
sh .ci/with_servers.sh .venv/bin/python -m pytest -n "$workers" --dist loadfile --no-loadscope-reorder -m "not browser" "$@"
