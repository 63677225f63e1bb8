#!/usr/bin/env bash
# Every check and test on a bare machine: Python 3.11 or newer with pip, and a shell, are all it needs.
#
# Makes .venv where it is missing or out of date (environment.sh), as root installs what tests need beside Python, then
# runs style, types, the rooms' order and the tests, all of them even where one fails, and says in one line how it went.
# With CI=true a skipped test is a failure: there, everything has to be there. Arguments go to pytest, which then runs
# alone: deploy/test.sh tests/fleet
set -uo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
cd "$root" || exit 1
. deploy/environment.sh
environment test || exit 1

# What tests use that pip does not have: program, Debian package, what is skipped without it.
beside_python="mosquitto|mosquitto|tests against a real broker
mosquitto_pub|mosquitto-clients|tests with a foreign publisher
chromium|chromium|tests of the pages in a browser"

have() { command -v "$1" >/dev/null 2>&1 || [ -x "/usr/sbin/$1" ]; }

missing() {
    while IFS='|' read -r program package skipped; do
        have "$program" || printf '%s|%s|%s\n' "$program" "$package" "$skipped"
    done <<<"$beside_python"
}

fetch_missing() {
    local packages
    packages=$(missing | cut -d'|' -f2 | sort -u)
    [ -n "$packages" ] || return 0
    if [ "$(id -u)" = 0 ] && have apt-get; then
        say "Installing" $packages "…"
        # Debian starts a broker of its own after installing one; the tests start theirs, on other ports.
        { apt-get -qq update && DEBIAN_FRONTEND=noninteractive apt-get -qq install --no-install-recommends $packages; } \
            >"$VENV/apt.log" 2>&1 || say "apt-get failed: $(tail -n 1 "$VENV/apt.log")"
    fi
    missing | while IFS='|' read -r program package skipped; do
        say "$program is not installed (Debian: apt-get install $package), so these are skipped: $skipped."
    done
}

failed=""
step() { # name, command …: silent where all is well
    local name=$1 output began=$SECONDS
    shift
    if output=$("$@" 2>&1); then
        printf '%-12s ok, %d s\n' "$name" $((SECONDS - began))
    else
        printf '%-12s FAILED\n%s\n' "$name" "$output"
        failed="$failed $name"
    fi
}

report="$VENV/test-report.xml"
tests() {
    rm -f "$report"
    "$VENV/bin/python" -m pytest -rs --junitxml="$report" "$@"
}

# Tests, failures and skips of the report; "no report" where pytest did not come so far.
counted() {
    "$VENV/bin/python" - "$report" <<'PYTHON'
import pathlib, sys
from xml.etree import ElementTree
path = pathlib.Path(sys.argv[1])
if not path.exists():
    sys.exit("no test ran")
suite = next(ElementTree.parse(path).getroot().iter("testsuite")).attrib
wrong = int(suite["failures"]) + int(suite["errors"])
passed = int(suite["tests"]) - wrong - int(suite["skipped"])
print(f"{passed} passed, {wrong} failed, {suite['skipped']} skipped")
PYTHON
}

fetch_missing
if [ $# -gt 0 ]; then
    tests "$@"
    exit
fi
step style "$VENV/bin/ruff" check .
step format "$VENV/bin/ruff" format --check .
step types "$VENV/bin/mypy"
step rooms "$VENV/bin/lint-imports" --no-logo
tests || failed="$failed tests"
summary=$(counted 2>&1)
if [ "${CI:-}" = true ] && [[ $summary != *" 0 skipped" ]]; then
    failed="$failed skips"
fi
if [ -n "$failed" ]; then
    echo "FAILED:$failed. Tests: $summary, in $SECONDS s."
    exit 1
fi
echo "All is well. Tests: $summary, in $SECONDS s."
