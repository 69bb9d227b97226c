#!/bin/sh
# Makes the environment and runs the daemon: sh deploy/start.sh [CONFIG]
# Without CONFIG: a simulated incubator, a whole batch of 48 hours in minutes, its export at the end. In a terminal it
# stays up afterwards until Ctrl-C; without one it ends with the batch.
set -eu
here=$(cd "$(dirname "$0")/.." && pwd)

if [ $# -gt 1 ] || [ "${1:-}" = "-h" ] || [ "${1:-}" = "--help" ]; then
    sed -n '2,4s/^# //p' "$0"
    [ $# -le 1 ] || exit 2
    exit 0
fi
if [ $# = 1 ] && [ ! -r "$1" ]; then
    echo "$1: no such file, or it cannot be read; give the path of a settings file (config/minimal.yaml shows one)" >&2
    exit 2
fi

. "$here/deploy/python.sh"
[ -x "$here/.venv/bin/kojimon" ] || (cd "$here" && make_environment all)

if [ $# = 1 ]; then
    exec "$here/.venv/bin/kojimon" run --config "$1"
fi
exec "$here/.venv/bin/kojimon" run --demo
