#!/bin/sh
# Writes the lock files from pyproject.toml: exact versions with hashes, for Python 3.11 and later
# on any platform. Needs `uv` (pip install uv) and the package index.
#
#   sh docker/lock.sh             keep what is locked unless pyproject.toml demands otherwise
#   sh docker/lock.sh --upgrade   take the newest that pyproject.toml allows
set -eu
cd "$(dirname "$0")/.."

uv=${UV:-uv}
command -v "$uv" >/dev/null 2>&1 || {
    echo "lock.sh: no uv on the PATH; install it with: pip install uv" >&2
    exit 2
}

# The build backend is locked too, so that the project itself installs without a second download.
build=$(sed -n 's/^requires = \["\(.*\)"\]$/\1/p' pyproject.toml)
[ -n "$build" ] || {
    echo "lock.sh: no build requirement found in pyproject.toml" >&2
    exit 2
}

# --no-config and one named index: nothing of this machine's own set-up ends up in the lock
lock() {
    out=$1
    shift
    echo "$build" | "$uv" pip compile pyproject.toml - "$@" \
        --universal --python-version 3.11 --generate-hashes \
        --no-config --default-index https://pypi.org/simple \
        --no-annotate --custom-compile-command "sh docker/lock.sh" \
        --quiet --output-file "$out"
    echo "$out: $(grep -c '^[a-z0-9]' "$out") packages"
}

lock docker/requirements.lock --extra demo "$@"
lock docker/requirements-image.lock --extra demo --extra postgresql --extra heic \
    --constraint docker/requirements.lock "$@"
lock docker/requirements-test.lock --extra demo --extra postgresql --extra heic --extra test \
    --constraint docker/requirements-image.lock "$@"
