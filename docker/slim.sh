#!/bin/sh
# Takes out of the image's environment what never runs there, once everything is installed:
# installers and other commands, tests of packages, headers and symbols. What is imported is compiled, the rest is not.
#
#   sh docker/slim.sh /opt/littoral
set -eu
venv=$1

# pygments colours source text for two packages, which do without it; nothing here shows any.
python -m pip --python "$venv/bin/python" uninstall --yes --quiet pygments setuptools
find "$venv/bin" -mindepth 1 ! -name 'python*' ! -name littoral -delete
find "$venv/lib" -depth \( -name tests -o -name testing -o -name sboms -o -name __pycache__ -o -path '*/numpy/f2py' -o \
    -path '*/numpy/distutils' -o -path '*/numpy/_core/include' \) -type d -exec rm -r {} +
find "$venv/lib" -type f \( -name '*.pyi' -o -name '*.pxd' -o -name '*.pyx' -o -name '*.a' -o \
    -name '*.c' -o -name '*.h' \) -delete
# Of Pillow what reads AVIF, draws letters and shows windows; of numpy what its tests ask the processor with.
find "$venv/lib" -type f \( -path '*/PIL/_avif.*' -o -path '*/PIL/_imagingft.*' -o -path '*/PIL/_imagingtk.*' -o \
    -path '*/pillow.libs/libavif-*' -o -path '*/pillow.libs/libfreetype-*' -o -path '*/pillow.libs/libharfbuzz-*' -o \
    -path '*/pillow.libs/libbrotli*' -o -path '*/pillow.libs/libpng16-*' -o -path '*/numpy/_core/_simd.*' \) -delete
# Extension modules alone: libraries that wheels bring in *.libs were patched and do not bear it.
find "$venv/lib" -name '*.so' ! -path '*.libs/*' -exec strip --strip-unneeded {} +

# Root is read-only later: what is compiled now starts quickly, the rest of the packages is not needed.
# Whole seconds first: layers round the time of a file, and what was compiled from another time is not used.
find "$venv/lib" -name '*.py' -exec touch --date="@$(date +%s)" {} +
cd "$(mktemp -d)"
PYTHONDONTWRITEBYTECODE='' "$venv/bin/littoral" check --create >/dev/null
PYTHONDONTWRITEBYTECODE='' "$venv/bin/littoral" openapi >/dev/null
PYTHONDONTWRITEBYTECODE='' "$venv/bin/python" - <<'PROGRAM'
import importlib
import pkgutil

# what reads pictures, which is imported in a process of its own alone
for module in ("ImageCms", "JpegImagePlugin", "MpoImagePlugin", "PngImagePlugin", "WebPImagePlugin"):
    importlib.import_module(f"PIL.{module}")
importlib.import_module("pi_heif")
for package in ("service", "ingest", "demo", "littoral"):
    for module in pkgutil.walk_packages(importlib.import_module(package).__path__, f"{package}."):
        # the boards' own programs, and migrations, which the first command has run
        if not any(one in module.name for one in ("demo.sensor", "migrations", "__main__")):
            importlib.import_module(module.name)
PROGRAM
