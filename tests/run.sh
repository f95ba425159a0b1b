#!/bin/sh
# Runs all tests on a Debian machine with Python 3.11 or newer, from a clean clone.
#
#   sh tests/run.sh                 everything (PYTHON=... for another Python than Debian's)
#   sh tests/run.sh tests/science   what pytest is given
#   sh tests/run.sh --prepare       only install what the tests need
#
# The real servers come from Debian (with sudo where you are not root). The tests start them on
# private loopback ports with temporary folders; they never touch a running one.
set -eu

cd "$(dirname "$0")/.."
venv=${LITTORAL_TEST_VENV:-.venv-test}
lock=docker/requirements-test.lock

die() {
    echo "tests/run.sh: $*" >&2
    exit 2
}

as_root() {
    if [ "$(id -u)" -eq 0 ]; then
        "$@"
    else
        command -v sudo >/dev/null 2>&1 || die "as root, please: apt-get install$missing"
        sudo "$@"
    fi
}

# The Debian packages that are missing of those listed in tests/programs.txt, each once
packages_missing() {
    search=$PATH:/usr/sbin:/sbin # servers are not on everybody's PATH
    for folder in /usr/lib/postgresql/*/bin; do
        search=$search:$folder
    done
    while read -r name package _; do
        case $name$package in
        "" | "#"* | *-) continue ;;
        *.so.*) PATH=$search ldconfig -p | grep -qF "$name" && continue ;;
        *) PATH=$search command -v "$name" >/dev/null 2>&1 && continue ;;
        esac
        echo "$package"
    done <tests/programs.txt | sort -u | while read -r package; do
        printf ' %s' "$package"
    done
}

missing=$(packages_missing)
if [ -n "$missing" ]; then
    command -v apt-get >/dev/null 2>&1 || die "not Debian: install by hand:$missing"
    echo "tests/run.sh: installing from Debian:$missing"
    as_root apt-get update -q >/dev/null
    # shellcheck disable=SC2086  # a list of package names
    as_root env DEBIAN_FRONTEND=noninteractive \
        apt-get install -y -q --no-install-recommends $missing >/dev/null
    missing=$(packages_missing)
    [ -z "$missing" ] || die "installed, but not what tests/programs.txt says is in it:$missing"
fi

# Debian's own Python first: built with its optimisations (profile, link time), which one that was
# compiled by hand mostly lacks, it takes a tenth less time.
python=""
for candidate in ${PYTHON:-/usr/bin/python3 python3 python3.13 python3.12 python3.11}; do
    if "$candidate" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' \
        2>/dev/null; then
        python=$candidate
        break
    fi
done
[ -n "$python" ] || die "needs Python 3.11 or newer with venv: apt-get install python3 python3-venv"

stamp="$venv/.installed"
if ! cmp -s "$lock" "$stamp"; then
    echo "tests/run.sh: installing the locked packages into $venv"
    "$python" -m venv --clear "$venv"
    # Python's own pip is older: it compares each file of each package with every platform.
    "$venv/bin/python" -m pip install -q --disable-pip-version-check --no-compile "pip>=26,<27"
    # --no-compile: most modules are never imported; to compile all of them takes half of the time.
    # --no-deps: the lock names them all.
    "$venv/bin/python" -m pip install -q --disable-pip-version-check --no-compile --no-deps \
        -r "$lock"
    cp "$lock" "$stamp"
fi
"$venv/bin/python" -m pip install -q --disable-pip-version-check --no-deps \
    --no-build-isolation -e . 2>/dev/null ||
    "$venv/bin/python" -m pip install -q --disable-pip-version-check --no-deps -e .

sh tests/clients/prepare.sh "$venv" "$python"

[ "${1:-}" != "--prepare" ] || exit 0

# Processes of tests, and the hundreds that they start, share what was compiled, whatever the
# environment says: to compile the tests alone takes a process longer than to run many of them.
unset PYTHONDONTWRITEBYTECODE
export PYTHONPYCACHEPREFIX="$(cd "$venv" && pwd)/bytecode"

# A folder for temporary files in memory, where there is plenty and programs may be run from it:
# on a disk thousands of small databases wait at each commit.
memory_gib=4
folder_in_memory() {
    [ "$(awk '/^MemAvailable:/ { print int($2 / 1048576) }' /proc/meminfo)" -ge $memory_gib ] &&
        [ "$(df -Pk /dev/shm | awk 'NR == 2 { print int($4 / 1048576) }')" -ge $memory_gib ] &&
        folder=$(mktemp -d /dev/shm/littoral-tests.XXXXXX) || return 1
    trap 'rm -rf "$folder" "$PYTHONPYCACHEPREFIX$folder"' EXIT
    chmod 711 "$folder" # PostgreSQL runs as a user of its own
    echo '#!/bin/sh' >"$folder/program"
    chmod 755 "$folder/program"
    "$folder/program"
}
if folder_in_memory 2>/dev/null; then
    export TMPDIR="$folder"
else
    trap 'rm -rf "$PYTHONPYCACHEPREFIX${TMPDIR:-/tmp}"' EXIT
fi

# Matrices here are small: threads for them cost more than they bring, above all beside other work.
export OPENBLAS_NUM_THREADS=1

# Memory that is freed stays with the process: to ask for the same megabyte again and again costs a
# virtual machine more than what is calculated in it.
export MALLOC_TRIM_THRESHOLD_=268435456 MALLOC_MMAP_THRESHOLD_=33554432

# A new folder of them is filled by two processes, half of the files each, not by all at once.
collected() {
    find tests -name 'test_*.py' | sort | awk "NR % 2 == $1" |
        xargs "$venv/bin/python" -m pytest --collect-only -qq >/dev/null 2>&1 || true
}
if [ $# -eq 0 ] && [ ! -d "$PYTHONPYCACHEPREFIX" ]; then
    echo "tests/run.sh: compiling"
    collected 0 &
    collected 1
    wait $!
fi

# Two processes more than cores, since many tests wait for a server; the tests of one file stay
# together and share its servers, in the order of tests/conftest.py.
"$venv/bin/python" -m pytest --numprocesses "${LITTORAL_TEST_PROCESSES:-$(($(nproc) + 2))}" \
    --dist loadfile --durations=25 "$@"
