#!/bin/sh
# Puts the chart library where the pages serve it from: uPlot (MIT) as its npm package, checked by
# the integrity hash of the registry. What it writes is committed, so a clone needs no npm.
#
#   sh docker/vendor.sh            fetch with npm
#   sh docker/vendor.sh FILE.tgz   take a package that was fetched before
set -eu
cd "$(dirname "$0")/.."

name=uplot
version=1.6.32
integrity=sha512-KIMVnG68zvu5XXUbC4LQEPnhwOxBuLyW1AHtpm6IKTXImkbLgkMy+jabjLgSLMasNuGGzQm/ep3tOkyTxpiQIw==
target=service/pages/static/uplot

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
if [ $# -gt 0 ]; then
    package=$1
else
    command -v npm >/dev/null 2>&1 || {
        echo "vendor.sh: no npm on the PATH; install it with: apt-get install npm" >&2
        exit 2
    }
    package="$work/$(npm pack --silent --pack-destination "$work" "$name@$version")"
fi

found="sha512-$(openssl dgst -sha512 -binary "$package" | openssl base64 -A)"
[ "$found" = "$integrity" ] || {
    echo "vendor.sh: $package has the hash $found, not the one expected of $name $version" >&2
    exit 1
}

tar -xzf "$package" -C "$work"
mkdir -p "$target"
cp "$work/package/dist/uPlot.iife.min.js" "$work/package/dist/uPlot.min.css" "$target/"
cp "$work/package/LICENSE" "$target/LICENSE.txt"
echo "$target: $name $version"
