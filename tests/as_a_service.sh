#!/bin/sh
# Installs Littoral from a wheel by the steps of docs/ingest.md, "As a service", and runs `littoral up`
# as the user that they make. Changes /opt, /etc and /var/lib: tests/fresh.sh runs it in its bare
# Debian, after demo/run.sh, whose environment builds the wheel. systemd's part is done by hand.
set -eu
cd "$(dirname "$0")/.."

.venv/bin/python -m pip wheel -q --disable-pip-version-check --no-deps --no-build-isolation -w dist .
.venv/bin/littoral init
steps=$(sed -n '/^## As a service/,$p' docs/ingest.md | sed -n '/^```sh$/,/^```$/p; /^```$/q' |
    grep -v -e '^```' -e '^systemctl')
printf '%s\n' "$steps"
sh -eux -c "$steps"

install -d -m 700 -o littoral -g littoral /var/lib/littoral
cd /var/lib/littoral
export LITTORAL_HTTP__PORT="${LITTORAL_HTTP__PORT:-8612}"
setpriv --reuid littoral --regid littoral --clear-groups --no-new-privs \
    /opt/littoral/venv/bin/littoral up --config /etc/littoral/littoral.toml 2>up.log &
up=$!
until python3 - <<PROGRAM
from urllib.request import urlopen
assert urlopen("http://127.0.0.1:$LITTORAL_HTTP__PORT/healthz", timeout=10).status == 200
PROGRAM
do
    kill -0 $up
    sleep 1
done
kill -TERM $up
wait $up
cat up.log
grep -q "no broker answers" up.log
test -s var/registry.db
