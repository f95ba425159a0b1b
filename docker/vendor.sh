#!/bin/sh
# Puts what browsers load where the pages serve it from, as npm packages checked by the integrity hash
# of the registry: uPlot (MIT), the charts; Swagger UI (Apache 2.0), the viewer of the API's document.
# What it writes is committed, so a clone needs no npm.
#
#   sh docker/vendor.sh            fetch with npm
#   sh docker/vendor.sh FOLDER     take the packages, fetched before with npm pack, from a folder
set -eu
cd "$(dirname "$0")/.."

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# vendor NAME VERSION INTEGRITY TARGET FILES: the files of a package, and its licence and notice.
vendor() {
    name=$1 version=$2 integrity=$3 target=$4
    shift 4
    if [ -n "$fetched" ]; then
        package="$fetched/$name-$version.tgz"
    else
        package="$work/$(npm pack --silent --pack-destination "$work" "$name@$version")"
    fi
    found="sha512-$(openssl dgst -sha512 -binary "$package" | openssl base64 -A)"
    [ "$found" = "$integrity" ] || {
        echo "vendor.sh: $package has the hash $found, not the one expected of $name $version" >&2
        exit 1
    }
    rm -rf "$work/package"
    tar -xzf "$package" -C "$work"
    mkdir -p "$target"
    for file in "$@"; do
        cp "$work/package/$file" "$target/"
    done
    for file in LICENSE NOTICE; do
        [ ! -f "$work/package/$file" ] || cp "$work/package/$file" "$target/$file.txt"
    done
    echo "$target: $name $version"
}

fetched=${1:-}
[ -n "$fetched" ] || command -v npm >/dev/null 2>&1 || {
    echo "vendor.sh: no npm on the PATH; install it with: apt-get install npm" >&2
    exit 2
}

vendor uplot 1.6.32 \
    sha512-KIMVnG68zvu5XXUbC4LQEPnhwOxBuLyW1AHtpm6IKTXImkbLgkMy+jabjLgSLMasNuGGzQm/ep3tOkyTxpiQIw== \
    service/pages/static/uplot dist/uPlot.iife.min.js dist/uPlot.min.css
vendor swagger-ui-dist 5.35.0 \
    sha512-U06rpMtW9V3XPGOBeamTUSr0Z09jMX4IJuANpE/EZbAhw0G8CgwrzU4YmXkn/h0wCDNsXdGarTNNHC3sU8yVUQ== \
    service/pages/static/swagger-ui \
    swagger-ui-bundle.js swagger-ui-bundle.js.LICENSE.txt swagger-ui.css
