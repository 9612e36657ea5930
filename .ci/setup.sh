#!/bin/sh
# Gets everything that the project needs onto this machine.
#   setup.sh run     what `make run` needs: virtual environment, locked packages, libraries for PDFs
#   setup.sh dev     and the packages for checks
#   setup.sh test    and a browser, PostgreSQL and Redis
# System packages come from apt, as root or by sudo without a password; where neither is to be had, the one
# command to give is printed and nothing else happens. A second run finds its mark and ends at once.
set -eu
cd "$(dirname "$0")/.."

what=${1:-run}
venv=.venv
lock=requirements/runtime.txt
[ "$what" = run ] || lock=requirements/dev.txt

say() { printf '%s\n' "$*"; }
die() { printf '%s\n' "$*" >&2; exit 1; }

# --- Python ---------------------------------------------------------------------------------------
new_enough() { "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; }

find_python() {
    for name in ${PYTHON:-python3 python3.13 python3.12 python3.11}; do
        if new_enough "$name"; then
            command -v "$name"
            return
        fi
    done
    die "Python 3.11 or newer is needed and was not found. On Debian 12 or later and Ubuntu 24.04:
  sudo apt-get update && sudo apt-get install -y python3
Elsewhere name yours: PYTHON=/path/to/python3.11 make run"
}

# --- System packages ------------------------------------------------------------------------------
apt_install() { # apt_install PACKAGE...
    command="apt-get update && sudo apt-get install -y --no-install-recommends $*"
    command -v apt-get >/dev/null 2>&1 || die "This machine lacks what these Debian packages hold: $*
Install their like with the package manager of this system, then start again."
    if [ "$(id -u)" = 0 ]; then
        as_root=
    elif sudo -n true 2>/dev/null; then
        as_root=sudo
    else
        die "Some system packages are missing. Give this command, then start again:
  sudo $command"
    fi
    say "Installing from the system's packages: $*"
    log=$(mktemp)
    # RUNLEVEL=1: servers that come along are not started as services where no init system runs.
    # shellcheck disable=SC2086
    if ! { $as_root apt-get update -q && $as_root env DEBIAN_FRONTEND=noninteractive RUNLEVEL=1 \
        apt-get install -q -y --no-install-recommends "$@"; } >"$log" 2>&1 </dev/null; then
        tail -n 20 "$log" >&2
        rm -f "$log"
        die "apt-get failed, see above. When that is mended, start again."
    fi
    rm -f "$log"
}

# WeasyPrint loads these when it makes the first PDF; with them come fontconfig and one font.
pdf_libraries_load() {
    "$1" -c '
import ctypes
for name in ("gobject-2.0", "pango-1.0", "pangoft2-1.0", "harfbuzz", "harfbuzz-subset"):
    ctypes.CDLL(f"lib{name}.so.0")
ctypes.CDLL("libfontconfig.so.1")' >/dev/null 2>&1
}

has() { command -v "$1" >/dev/null 2>&1; }

# Ubuntu's chromium lives in a sandbox of its own that a driver cannot reach into.
system_chromium() {
    path=${CHROMIUM:-$(command -v chromium || true)}
    [ -n "$path" ] && case $(readlink -f "$path") in /snap* | /usr/bin/snap) return 1 ;; esac
}
apt_has_chromium() { has apt-cache && LC_ALL=C apt-cache policy chromium 2>/dev/null | grep -Eq 'Candidate: [0-9]'; }
own_chromium() {
    "$venv/bin/python" -c '
import os, sys
from playwright.sync_api import sync_playwright
with sync_playwright() as playwright:
    sys.exit(not os.path.exists(playwright.chromium.executable_path))' >/dev/null 2>&1
}
has_postgresql() { has initdb || ls /usr/lib/postgresql/*/bin/initdb >/dev/null 2>&1; }

# --- The mark of a finished set-up ----------------------------------------------------------------
fingerprint=$(cat requirements/runtime.txt requirements/dev.txt | cksum)
marked() { [ "$(cat "$venv/.done-$1" 2>/dev/null || true)" = "$fingerprint" ]; }
installed() {
    case $what in
    run) marked run || marked dev ;;
    *) marked dev ;;
    esac
}
# A virtual environment does not survive a move, nor the loss of the Python that it was made with.
usable() { [ "$(cat "$venv/.at" 2>/dev/null || true)" = "$(pwd)" ] && new_enough "$venv/bin/python"; }

if usable && installed; then
    fresh=yes
    python=$venv/bin/python
else
    fresh=no
    python=$(find_python)
fi

missing=
if [ "$fresh" = no ] && ! "$python" -c 'import ctypes, ensurepip, ssl, venv' >/dev/null 2>&1; then
    missing="$("$python" -c 'import sys; print("python%d.%d-venv" % sys.version_info[:2])')"
fi
if [ "$(uname)" = Linux ] && ! pdf_libraries_load "$python"; then
    missing="$missing libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"
fi
if [ "$what" = test ]; then
    has_postgresql || missing="$missing postgresql"
    has redis-server || missing="$missing redis-server"
    # A second reader of signatures, beside the library that makes them.
    has pdfsig || missing="$missing poppler-utils"
    if ! system_chromium; then
        # An empty list of packages knows of no chromium.
        if ! apt_has_chromium && has apt-get && [ "$(id -u)" = 0 ]; then apt-get update -qq >/dev/null 2>&1 || true; fi
        if apt_has_chromium; then missing="$missing chromium"; fi
    fi
fi
# shellcheck disable=SC2086
[ -z "$missing" ] || apt_install $missing

if [ "$fresh" = no ]; then
    if ! usable; then
        "$python" -m venv --clear "$venv"
        pwd >"$venv/.at"
    fi
    rm -f "$venv"/.done-*
    say "Installing the packages locked in $lock (about a minute) ..."
    # Compiled once here: otherwise each start of each process would compile every module anew.
    unset PYTHONDONTWRITEBYTECODE
    "$venv/bin/python" -m pip install --quiet --no-input --disable-pip-version-check \
        --require-hashes --only-binary :all: -r "$lock" ||
        die "The packages could not be installed, see above. Is a package index within reach?"
    case $what in
    run) printf '%s\n' "$fingerprint" >"$venv/.done-run" ;;
    *) printf '%s\n' "$fingerprint" >"$venv/.done-dev" ;;
    esac
fi

if [ "$what" = test ] && ! system_chromium && ! own_chromium; then
    say "Fetching a browser for the tests ..."
    if [ "$(id -u)" = 0 ] || sudo -n true 2>/dev/null; then
        "$venv/bin/python" -m playwright install --with-deps chromium
    else
        die "The tests need a browser. Give this command, then start again:
  sudo $(pwd)/$venv/bin/python -m playwright install-deps chromium && $venv/bin/python -m playwright install chromium"
    fi
fi
