#!/usr/bin/env bash
# The long proofs and the measurements, with their figures: minutes to an hour. deploy/test.sh is the quick half.
#
# Prints the machine in words first, because a figure without its machine means nothing. Arguments go to pytest:
# deploy/prove.sh -k killed
set -uo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
cd "$root" || exit 1
. deploy/environment.sh
environment test || exit 1

echo "Machine: $(nproc 2>/dev/null || echo '?') cores, $(uname -sm), $("$VENV/bin/python" -V), load $(cut -d' ' -f1 /proc/loadavg 2>/dev/null || echo '?')"
echo "State:   $(git describe --always --dirty 2>/dev/null || echo 'no git')"
# -s: proofs print their figures as they get them. --timeout=0: the suite's 120 s a test are not meant for them. Beside nothing else: two at once would measure each other.
"$VENV/bin/python" -m pytest -m long --timeout=0 -s -rs --durations=0 --durations-min=1 "$@"
code=$?
[ $code = 0 ] && echo "Proved, in $SECONDS s." || echo "NOT PROVED, in $SECONDS s."
exit $code
