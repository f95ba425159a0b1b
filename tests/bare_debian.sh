#!/bin/sh
# Makes a bare Debian (minbase, python3, python3-venv, ca-certificates) of this machine's release as a
# tar archive, or takes the one of the last days; prints its path. For tests/fresh.sh and for the
# base of the container image. Needs root.
#
#   sh tests/bare_debian.sh             the path of the archive
#   sh tests/bare_debian.sh --sources   this machine's mirrors, as lines of a sources.list
set -eu

cache=${LITTORAL_FRESH_CACHE:-/var/cache/littoral-fresh}
base_days=7 # one that is older is made anew
release=$(sed -n 's/^VERSION_CODENAME=//p' /etc/os-release)
base="$cache/$release.tar"

# Mirrors of the running Debian release, without those of others
sources() {
    # shellcheck disable=SC2016  # apt-get's own variables
    apt-get indextargets --format 'deb $(REPO_URI) $(RELEASE) $(COMPONENT) #$(CODENAME)#' \
        'Created-By: Packages' | grep -E "#$release(-updates|-security)?#" | sed 's/ #.*//' | sort -u
}

make() {
    command -v debootstrap >/dev/null 2>&1 ||
        env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends debootstrap >&2
    mirror=$(sources | awk -v release="$release" '$3 == release { print $2; exit }')
    work=$(mktemp -d "${TMPDIR:-/tmp}/littoral-bare.XXXXXX")
    trap 'rm -rf "$work"' EXIT
    debootstrap --variant=minbase --include=python3,python3-venv,ca-certificates \
        "$release" "$work/base" "$mirror" >&2
    tar -C "$work/base" -cf "$base.new" .
    mv "$base.new" "$base"
}

if [ "${1:-}" = --sources ]; then
    sources
    exit
fi
mkdir -p "$cache"
# One at a time: who comes second takes what the first has made.
exec 9>"$base.lock"
flock 9
[ -n "$(find "$base" -mtime "-$base_days" 2>/dev/null)" ] || make
echo "$base"
