#!/bin/sh
# Runs the README's two commands on a bare Debian: minbase, python3, python3-venv, ca-certificates.
#
#   sh tests/fresh.sh           the demo's check, a service from a wheel, then all tests
#   sh tests/fresh.sh --quick   the same, then those tests alone that need an installed program
#
# Takes the checkout's HEAD, not what is uncommitted. The bare Debian is made by debootstrap in a
# temporary folder (in memory where 8 GiB are free) and is of this machine's release; package mirrors, settings of apt, pip and npm,
# and certificates are this machine's. Mounts and processes live in namespaces of their own and end
# with them. Downloads are kept in /var/cache/littoral-fresh, or where
# LITTORAL_FRESH_CACHE says. Needs root (sudo is tried).
set -eu

cd "$(dirname "$0")/.."
cache=${LITTORAL_FRESH_CACHE:-/var/cache/littoral-fresh}
memory_gib=8 # with so much memory free, the bare system is not put on the disk

die() {
    echo "tests/fresh.sh: $*" >&2
    exit 2
}

case ${1:-} in
"" | --quick) ;;
*) die "unknown option $1; allowed: --quick" ;;
esac

if [ "$(id -u)" -ne 0 ]; then
    command -v sudo >/dev/null 2>&1 || die "needs root"
    exec sudo -E sh tests/fresh.sh "$@"
fi

# Outside the namespaces, where none of the mounts is seen: a folder to work in, removed at the end.
if [ -z "${LITTORAL_FRESH_WORK:-}" ]; then
    work=$(mktemp -d "${TMPDIR:-/tmp}/littoral-fresh.XXXXXX")
    child=""
    end() {
        [ -z "$child" ] || kill -KILL "$child" 2>/dev/null || true
        until rm -rf "$work" 2>/dev/null; do sleep 1; done # its processes may take a moment to end
    }
    trap end EXIT
    trap 'exit 130' HUP INT TERM
    LITTORAL_FRESH_WORK=$work unshare --mount --pid --fork --kill-child sh tests/fresh.sh "$@" &
    child=$!
    wait $child
    exit
fi

work=$LITTORAL_FRESH_WORK
root=$work/root
log=$work/log
begun=$(date +%s)
# In memory where there is plenty: removing 75,000 files takes minutes on some disks.
if [ "$(awk '/^MemAvailable:/ { print int($2 / 1048576) }' /proc/meminfo)" -ge "$memory_gib" ]; then
    mount -t tmpfs -o "size=${memory_gib}g,mode=700" tmpfs "$work"
fi

# step TITLE COMMAND...: runs it, says how long it took; on failure shows what it printed
step() {
    title=$1
    shift
    printf '%s ... ' "$title"
    from=$(date +%s)
    # Not as a condition: that would let a function go on after a command that failed.
    set +e
    (set -e; "$@") >"$log" 2>&1 </dev/null
    code=$?
    set -e
    if [ $code -eq 0 ]; then
        echo "$(($(date +%s) - from)) s"
    else
        echo "FAILED"
        grep -E '^(FAILED|ERROR) ' "$log" || tail -n 30 "$log"
        kept=$cache/failed.log
        cp "$log" "$kept"
        echo "all that it printed: $kept"
        return 1
    fi
}

release=$(sed -n 's/^VERSION_CODENAME=//p' /etc/os-release)

bare_system() {
    mkdir -p "$root" "$cache/apt" "$cache/pip"
    mount --bind "$root" "$root" # programs that mount want to find a mount at their /
    base=$(TMPDIR=$work sh tests/bare_debian.sh)
    tar -C "$root" -xf "$base"
    echo force-unsafe-io >"$root/etc/dpkg/dpkg.cfg.d/unsafe-io" # it need not survive a power cut
}

# copy FILE...: those that exist, to the same place in the bare system
copy() {
    for file; do
        [ -e "$file" ] || continue
        mkdir -p "$root$(dirname "$file")"
        cp -RL --remove-destination "$file" "$root$(dirname "$file")/"
    done
}

# from FOLDER PLACE: a folder of this machine, seen in the bare system
from_here() {
    mkdir -p "$root$2"
    mount --bind "$1" "$root$2"
}

settings_of_this_machine() {
    sh tests/bare_debian.sh --sources >"$root/etc/apt/sources.list"
    apt-config dump | grep -E '^Acquire::https?::' >"$root/etc/apt/apt.conf.d/90machine" || true
    copy /etc/resolv.conf /etc/hosts /etc/ssl/certs /usr/local/share/ca-certificates
    set -- /etc/pip.conf /etc/xdg/pip/pip.conf "$HOME/.config/pip/pip.conf" "$HOME/.pip/pip.conf"
    copy "$@"
    # Constraints, wheels and indexes on this machine's disk that pip's settings name
    # (an index's folder `simple` links to files beside it).
    for place in $( (cat "$@" 2>/dev/null; env | grep ^PIP_) | grep -oE '/[[:alnum:]][^[:space:]:]+'); do
        place=${place%/simple}
        if [ -d "$place" ] && [ ! -e "$root$place" ]; then
            from_here "$place" "$place"
        elif [ -f "$place" ] && [ ! -e "$root$place" ]; then
            copy "$place"
        fi
    done
    export -p | grep -E "^export ((PIP|SSL|CURL|REQUESTS|NODE)_|npm_config_|(https?|no)_proxy)" \
        >"$root/root/settings" || true
    if command -v npm >/dev/null 2>&1; then
        echo "export npm_config_registry='$(npm config get registry)'" >>"$root/root/settings"
    fi
}

mounts() {
    mount -t proc proc "$root/proc"
    mount -t devpts -o newinstance,ptmxmode=0666 devpts "$root/dev/pts"
    mkdir -p "$root/dev/shm"
    mount -t tmpfs -o mode=1777 tmpfs "$root/dev/shm"
    from_here "$cache/apt" /var/cache/apt/archives
    from_here "$cache/pip" /root/.cache/pip
    # What apt installs does not start: its ports may be this machine's.
    printf '#!/bin/sh\nexit 101\n' >"$root/usr/sbin/policy-rc.d"
    chmod 755 "$root/usr/sbin/policy-rc.d"
}

# inside COMMAND...: in the clone in the bare system, with none of this machine's environment
inside() {
    chroot "$root" env -i HOME=/root USER=root PATH=/usr/sbin:/usr/bin:/sbin:/bin \
        sh -c '. /root/settings && cd /root/littoral && exec "$@"' sh "$@"
}

[ -z "$(git status --porcelain)" ] || echo "what is not committed is left out"
step "bare Debian ($release)" bare_system
step "settings of this machine" settings_of_this_machine
step "mounts" mounts
step "clone" git clone -q --no-local . "$root/root/littoral"
failed=0
step "sh demo/run.sh --check" inside sh demo/run.sh --check || failed=1
step "a wheel, as a service" inside sh tests/as_a_service.sh || failed=1
if [ "${1:-}" = --quick ]; then
    step "sh tests/run.sh --prepare" inside sh tests/run.sh --prepare || exit 1
    # Only files with such tests are given: to collect all takes longer than to run these.
    # shellcheck disable=SC2046  # a list of paths without blanks
    step "sh tests/run.sh -m needs" inside sh tests/run.sh -m needs \
        $(grep -rlF --include='test_*.py' 'pytest.mark.needs(' tests) || failed=1
else
    step "sh tests/run.sh" inside sh tests/run.sh || failed=1
fi
tail -n 1 "$log"
echo "$(($(date +%s) - begun)) s in all"
exit $failed
