#!/bin/sh
# Runs the demo from a clean clone: needs Python 3.11 or newer and, the first time, the network.
# No root. Whatever it is given goes to `littoral demo`; try: sh demo/run.sh --help
set -eu

cd "$(dirname "$0")/.."
venv=${LITTORAL_DEMO_VENV:-.venv}
lock=docker/requirements.lock

die() {
    echo "demo/run.sh: $*" >&2
    exit 2
}

# A Python that is new enough; best one that can also make a complete virtual environment.
python=""
bare=""
for candidate in ${PYTHON:-python3 python3.14 python3.13 python3.12 python3.11 /usr/bin/python3}; do
    "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null || continue
    if "$candidate" -c 'import venv, ensurepip' 2>/dev/null; then
        python=$candidate
        break
    fi
    bare=${bare:-$candidate}
done

# Debian splits venv off. Where there is at least pip, that can fill an environment from outside.
outside=""
if [ -z "$python" ] && [ -n "$bare" ]; then
    "$bare" -c 'import venv, pip' 2>/dev/null ||
        die "$bare has no venv module; on Debian: apt-get install python3-venv (or python3-pip)"
    python=$bare
    outside=yes
fi
[ -n "$python" ] || die "needs Python 3.11 or newer, as python3 on the PATH or named by PYTHON=..."

# pip, from inside the environment or from outside; its words are shown only when it fails
pip() {
    if [ -n "$outside" ]; then
        set -- "$python" -m pip --python "$venv/bin/python" "$@"
    else
        set -- "$venv/bin/python" -m pip "$@"
    fi
    log=$venv/pip.log
    "$@" --disable-pip-version-check >"$log" 2>&1 || {
        tail -n 5 "$log" >&2
        die "the packages could not be installed (all of it: $log); is the network there?"
    }
}

stamp=$venv/.littoral-installed
if ! cat "$lock" pyproject.toml | cmp -s - "$stamp"; then
    echo "Installing the locked packages into $venv; this happens once and takes a minute or so."
    if [ -n "$outside" ]; then
        "$python" -m venv --without-pip "$venv" || die "cannot make $venv"
    else
        "$python" -m venv "$venv" || die "cannot make $venv"
    fi
    # What is never imported need not be compiled.
    pip install --no-compile --require-hashes -r "$lock"
    pip install --no-deps --no-build-isolation -e .
    cat "$lock" pyproject.toml >"$stamp"
fi

exec "$venv/bin/littoral" demo "$@"
