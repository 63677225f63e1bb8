# The Python environment of the other scripts here: made once, kept while it is up to date.
#
# Source this file, then call `environment EXTRA` (demo or test). After it $VENV names a folder whose bin/ has python,
# stillready and, for test, the test tools. Where something is missing it says in one sentence what to do and fails.
# Needs: a POSIX-like shell with functions (sh, dash, bash), Python 3.11 or newer, pip. Touches: $VENV, nothing else.

# Sets $root (of the repository) where the caller has not. BASH_SOURCE is empty in other shells, which must set it.
: "${root:=$(cd "$(dirname "${BASH_SOURCE:-$0}")/.." && pwd)}"
: "${VENV:=$root/.venv}"

# Packages come uncompiled where uv installs them, and some machines forbid Python to write beside the code: each program
# that the demo or a test starts would then compile all it reads anew, two of its three seconds.
export PYTHONPYCACHEPREFIX="$VENV/compiled"
unset PYTHONDONTWRITEBYTECODE

say() { printf '%s\n' "$*" >&2; }

# The newest usable Python: the plain name first, because that is the one pip and its settings belong to.
python_found() {
    for candidate in "${PYTHON:-python3}" python3.14 python3.13 python3.12 python3.11; do
        if command -v "$candidate" >/dev/null 2>&1 &&
            "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            command -v "$candidate"
            return 0
        fi
    done
    say "No Python 3.11 or newer was found. Install one, or name it: PYTHON=/path/to/python3 $0"
    return 1
}

# What decides whether an environment is up to date: the package's wishes, the pinned versions, the Python.
environment_wanted() {
    "$1" - "$root/pyproject.toml" "$root/deploy/constraints.txt" <<'PYTHON'
import hashlib, pathlib, sys
digest = hashlib.sha256(sys.version.encode())
for name in sys.argv[1:]:
    digest.update(pathlib.Path(name).read_bytes())
print(digest.hexdigest())
PYTHON
}

# uv installs in a quarter of the time, but does not read pip's own settings: where it fails, pip still may work.
environment_filled() {
    python=$1 extra=$2
    set -- install --quiet --constraint "$root/deploy/constraints.txt" --editable "$root[$extra]"
    uv="$VENV/tools/bin/uv"
    if command -v uv >/dev/null 2>&1; then
        uv=$(command -v uv)
    elif [ ! -x "$uv" ]; then
        "$python" -m pip install --quiet --no-input --target "$VENV/tools" uv >/dev/null 2>&1 || uv=""
    fi
    if [ -n "$uv" ] && "$uv" pip "$@" --python "$VENV/bin/python" >"$VENV/uv.log" 2>&1; then
        return 0
    fi
    say "uv could not install here, pip does it; that takes a few minutes."
    "$python" -m pip --python "$VENV/bin/python" "$@" --quiet --no-compile --no-input --disable-pip-version-check && return 0
    say "Installing the packages failed, see above. Is a package index reachable, and set up for pip?"
    return 1
}

environment() {
    extra=$1
    python=$(python_found) || return 1
    wanted=$(environment_wanted "$python") || return 1
    stamp="$VENV/stillready.stamp"
    # The test extra contains the demo extra, so an environment for tests also serves the demo.
    if [ -f "$stamp" ] && [ -x "$VENV/bin/stillready" ] && "$VENV/bin/python" -c '' 2>/dev/null; then
        case "$(cat "$stamp")" in
        "$wanted test" | "$wanted $extra") return 0 ;;
        esac
    fi
    if ! "$python" -m pip --version >/dev/null 2>&1; then
        say "$python has no pip. Install it (Debian: apt-get install python3-pip), then run this again."
        return 1
    fi
    if ! [ -x "$VENV/bin/python" ] || ! "$VENV/bin/python" -c '' 2>/dev/null; then
        # Without pip: that saves ten seconds, and works where Debian's python3-venv is missing.
        "$python" -m venv --clear --without-pip "$VENV" || {
            say "No environment could be made in $VENV. Is the folder writable?"
            return 1
        }
    fi
    say "Installing Stillready's packages into $VENV, the first time only …"
    rm -f "$stamp"
    environment_filled "$python" "$extra" || return 1
    printf '%s' "$wanted $extra" >"$stamp"
}
