#!/bin/sh
# The demo on a bare machine: makes the Python environment where it is missing, then runs `stillready demo`.
#
# Needs Python 3.11 or newer and pip, or uv. Arguments go to the demo: deploy/demo.sh --listen 127.0.0.1:9000
# Touches .venv and .demo in the repository, nothing outside it but pip's and uv's caches.
# A second call installs nothing: environment.sh keeps a stamp of what is wanted.

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd) || exit 1
. "$root/deploy/environment.sh"
environment demo || exit 1

# exec: Ctrl-C and SIGTERM reach the demo itself, and no shell stays behind.
cd -- "$root" && exec "$VENV/bin/stillready" demo "$@"
