#!/bin/sh
# Makes the environments of the generators of API clients, with the versions that are pinned here:
#
#   sh tests/clients/prepare.sh VENV PYTHON
#
# openapi-python-client in VENV/clients/python, openapi-typescript in VENV/clients/node. Side by side,
# since both wait for downloads; where the pins are the same nothing is done.
set -eu
here=$(dirname "$0")
venv=$1
place=$venv/clients
python=$2

in_python() {
    # Filled from outside: a pip of its own takes seconds to put there, and is an older one.
    "$python" -m venv --clear --without-pip "$place/python"
    "$venv/bin/python" -m pip --python "$place/python/bin/python" install -q \
        --disable-pip-version-check --no-compile --no-deps -r "$here/requirements.txt"
}

in_node() {
    rm -rf "$place/node"
    mkdir -p "$place/node"
    cp "$here/package.json" "$here/package-lock.json" "$place/node/"
    npm ci --prefix "$place/node" --silent --no-fund --no-audit --ignore-scripts
}

pins=$(cat "$here/requirements.txt" "$here/package-lock.json")
if [ "$pins" != "$(cat "$place/.installed" 2>/dev/null)" ]; then
    echo "tests/clients: installing the generators of API clients into $place"
    mkdir -p "$place"
    in_node &
    node=$!
    in_python
    wait "$node"
    echo "$pins" >"$place/.installed"
fi
