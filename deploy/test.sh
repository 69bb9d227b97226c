#!/bin/sh
# Everything the tests need, and all tests: sh deploy/test.sh [--without PART]... [--long | --coverage | --bench] [PYTEST ARGUMENTS]
#
#   --without PART   without the programs of this part of deploy/packages.txt (browser, broker, timeseries, serial,
#                    compiler, pictures, card, service, lint); what wants them is skipped, and named at the end
#   --long           statistics at their full length and fresh random examples; otherwise small and the same every time
#   --coverage       which lines the tests run, held against floors (tests/floors.py)
#   --bench          the measurements instead of the tests
#
# On Debian as root it installs what is missing; elsewhere it says what to install and fails. Twice as many tests run
# side by side as there are processors, for many wait (-n 0: one at a time). What fails has failed: none is run again.
set -eu
cd "$(dirname "$0")/.."

fail() {
    printf 'test.sh: %s\n' "$*" >&2
    exit 1
}

bench=no coverage=no without=""
while [ $# -gt 0 ]; do
    case $1 in
        -h | --help)
            sed -n '2,11s/^# \{0,1\}//p' "$0"
            exit 0
            ;;
        --bench) bench=yes ;;
        --coverage) coverage=yes ;;
        --without)
            [ $# -ge 2 ] || fail "--without wants a part behind it; deploy/packages.txt has them"
            grep -q "^[^#].* $2\$" deploy/packages.txt || fail "\"$2\" is no part of deploy/packages.txt"
            without="$without $2"
            shift
            ;;
        *) break ;;
    esac
    shift
done

there() { # NAME
    case $1 in
        /*) [ -e "$1" ] ;;
        *.so.*) /sbin/ldconfig -p | grep -q "$1" ;;
        *) command -v "$1" >/dev/null 2>&1 || [ -x "/usr/sbin/$1" ] || [ -x "/sbin/$1" ] ;;
    esac
}

other=bench
if [ "$bench" = yes ]; then other=""; fi

missing() { # 2: packages, 3: parts
    while read -r name package part; do
        case $name in "" | "#"*) continue ;; esac
        case " prove $other $without " in *" $part "*) continue ;; esac
        there "$name" || echo "$name $package $part"
    done <deploy/packages.txt | cut -d ' ' -f "$1" | sort -u | paste -sd ' ' -
}

need=$(missing 2)
if [ -n "$need" ] && [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
    echo "Installing what the tests run: $need ..."
    apt-get update -qq
    # shellcheck disable=SC2086
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $need >/dev/null
    need=$(missing 2)
fi
if [ -n "$need" ]; then
    echo "Missing, by Debian's names: $need" >&2
    echo "Install them:      sudo apt-get install --no-install-recommends $need" >&2
    echo "or do without:     sh deploy/test.sh $(missing 3 | sed 's/[^ ][^ ]*/--without &/g')" >&2
    exit 1
fi

. deploy/python.sh
[ -x .venv/bin/kojimon ] || make_environment all
make_environment test

echo "Checking style (ruff) and types (mypy) ..."
.venv/bin/ruff check --quiet .
.venv/bin/mypy
for part in $without; do set -- --without "$part" "$@"; done
if [ "$bench" = yes ]; then
    exec .venv/bin/pytest -m bench -s -p no:randomly "$@"
fi
if [ "$coverage" = yes ]; then
    for room in engine notify journal probes; do set -- "--cov=kojimon.$room" "$@"; done
    COVERAGE_FILE=test-artefacts/coverage .venv/bin/pytest -m "not bench" -n $((2 * $(nproc))) --dist worksteal \
        --cov-report= --cov-report=json:test-artefacts/coverage.json "$@"
    exec .venv/bin/python tests/floors.py test-artefacts/coverage.json
fi
exec .venv/bin/pytest -m "not bench" -n $((2 * $(nproc))) --dist worksteal --durations 10 "$@"
