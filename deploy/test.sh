#!/bin/sh
# Everything the tests need, and all tests: sh deploy/test.sh [--bench] [PYTEST ARGUMENTS]
# On Debian as root it installs what is missing (a broker, a time-series server, a browser); elsewhere tests that lack a
# part are skipped and say why.
set -eu
cd "$(dirname "$0")/.."

bench=no
if [ "${1:-}" = "--bench" ]; then bench=yes; shift; fi

need=""
want() { # COMMAND PACKAGE
    command -v "$1" >/dev/null 2>&1 || [ -x "/usr/sbin/$1" ] || need="$need $2"
}
want mosquitto mosquitto
want socat socat
want victoria-metrics victoria-metrics
want cc gcc
want openssl openssl
want mkfs.ext4 e2fsprogs
want chromium chromium
want shellcheck shellcheck
if [ -n "$need" ]; then
    if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
        echo "installing:$need"
        apt-get update -qq
        # shellcheck disable=SC2086
        DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $need >/dev/null
    else
        echo "not installed (tests that need them are skipped):$need"
    fi
fi

. deploy/python.sh
python=$(find_python)
[ -x .venv/bin/python ] || "$python" -m venv .venv
.venv/bin/python -m pip install --quiet --disable-pip-version-check --use-pep517 --editable '.[test]'

.venv/bin/ruff check .
.venv/bin/mypy
if [ "$bench" = yes ]; then
    exec .venv/bin/pytest -m bench -s -p no:randomly "$@"
fi
# Real brokers, browsers and processes now and then miss a deadline on a busy machine: what failed is run once more by
# itself, said aloud. What fails twice has failed.
if .venv/bin/pytest -m "not bench" "$@"; then exit 0; fi
echo "Some tests failed; those are run once more by themselves."
exec .venv/bin/pytest -m "not bench" --last-failed --last-failed-no-failures none -p no:randomly
