#!/usr/bin/env bash
# Writes deploy/constraints.txt anew: the newest versions that pyproject.toml allows, resolved in a fresh environment.
#
# Run it after a dependency changed, then deploy/test.sh, and commit both files. Touches a temporary folder and that file.
set -euo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
fresh=$(mktemp -d)
trap 'rm -rf "$fresh"' EXIT
constraints="$root/deploy/constraints.txt"
before=$(cat "$constraints")
VENV="$fresh/venv"
. "$root/deploy/environment.sh"

: >"$constraints"
if ! environment test; then
    printf '%s\n' "$before" >"$constraints"
    exit 1
fi
# Names and versions only. What pip itself needs is the machine's business.
"$(python_found)" -m pip --python "$VENV/bin/python" list --format=freeze --disable-pip-version-check 2>/dev/null |
    tr '[:upper:]_' '[:lower:]-' | grep -E '^[a-z0-9.-]+==' | grep -v -E '^(pip|setuptools|wheel|stillready|uv)==' | LC_ALL=C sort >"$fresh/written"
cp "$fresh/written" "$constraints"
say "$(wc -l <"$constraints") versions in deploy/constraints.txt."
