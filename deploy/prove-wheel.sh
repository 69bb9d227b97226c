#!/bin/sh
# Proves that what is built is whole: sh deploy/prove-wheel.sh [--plain] FOLDER
#
# It copies what git has of this folder to FOLDER, builds sdist and wheel there, and builds the wheel once more from the
# sdist: both must hold the same files. The wheel is installed without any extra in an environment of its own, where it must
# start, read a simulated box and answer `status`. Then it is installed with all extras, and tests run against it from a
# folder that holds no source of kojimon. FOLDER must be new. It needs git and the network, or folders of packages in
# pip's settings.
#
#   --plain   only the installation without extras
set -eu

here=$(cd "$(dirname "$0")/.." && pwd)
plain=no

fail() {
    printf 'prove-wheel.sh: %s\n' "$*" >&2
    exit 1
}

case ${1:-} in
    -h | --help)
        sed -n '2,10s/^# \{0,1\}//p' "$0"
        exit 0
        ;;
    --plain)
        plain=yes
        shift
        ;;
esac
[ $# = 1 ] || fail "expected a folder; see: sh deploy/prove-wheel.sh --help"
mkdir "$1" || fail "\"$1\" must be a new folder"
folder=$(cd "$1" && pwd)
. "$here/deploy/python.sh"
python=$(find_python)

environment() { # NAME PACKAGE...
    "$python" -m venv "$folder/$1"
    into=$folder/$1/bin/python
    shift
    "$into" -m pip install -qq --disable-pip-version-check "$@"
}

files_of() { # WHEEL
    "$folder/make/bin/python" -m zipfile --list "$1" | cut -d ' ' -f 1 | grep '^koji' | grep -v RECORD | sort
}

echo "Building ..."
git -C "$here" ls-files -z | (cd "$here" && mkdir "$folder/source" && xargs -0 cp -P --parents -t "$folder/source")
environment make build
(cd "$folder/source" && "$folder/make/bin/python" -m build --outdir "$folder/dist" . >"$folder/build.log")
(cd "$folder/source" && "$folder/make/bin/python" -m build --wheel --outdir "$folder/direct" . >>"$folder/build.log")
wheel=$(echo "$folder"/dist/*.whl)
files_of "$wheel" >"$folder/by-sdist"
files_of "$folder"/direct/*.whl >"$folder/by-tree"
cmp "$folder/by-sdist" "$folder/by-tree" || fail "the wheel built from the sdist holds other files than that of the tree"
for needed in kojimon/py.typed kojimon/shipped/simulated.yaml kojimon/web/page/templates/home.html kojisim/world.py; do
    grep -q "^$needed" "$folder/by-tree" || fail "$needed is not in the wheel"
done

echo "Without any extra ..."
environment plain "$wheel"
mkdir "$folder/kitchen"
cd "$folder/kitchen"
"$folder/plain/bin/kojimon" --version
"$folder/plain/bin/python" -c 'import importlib.util as u, sys; sys.exit(any(map(u.find_spec, ("numpy", "apprise"))))' ||
    fail "an extra was installed that nobody asked for"
printf '%s\n' 'incubators: {box: {schedule: rice-koji-home-trays}}' 'sources: {sim: {kind: simulated}}' \
    'probes: {bed: {place: bed}, air: {place: air}}' >kojimon.yaml
"$folder/plain/bin/kojimon" check
"$folder/plain/bin/kojimon" run >"$folder/run.log" 2>&1 &
daemon=$!
trap 'kill $daemon 2>/dev/null || true' EXIT
"$folder/plain/bin/python" -c '
import json, subprocess, sys, time
until = time.monotonic() + 120
while time.monotonic() < until:
    done = subprocess.run([sys.argv[1], "status", "--json"], capture_output=True, text=True)
    state = json.loads(done.stdout) if done.returncode == 0 else {}
    values = [probe.get("value") for box in state.get("incubators", ()) for probe in box["probes"]]
    if values and None not in values:
        sys.exit(print("It watches:", *values))
    time.sleep(0.5)
sys.exit(1)
' "$folder/plain/bin/kojimon" || fail "no reading within two minutes; see $folder/run.log"
kill $daemon
wait $daemon || fail "the daemon did not end in order; see $folder/run.log"
trap - EXIT
[ $plain = no ] || exit 0

echo "With all extras, tests from elsewhere ..."
environment whole "${wheel}[test]"
mkdir "$folder/elsewhere"
for part in tests config deploy pyproject.toml; do cp -R "$folder/source/$part" "$folder/elsewhere/"; done
cd "$folder/elsewhere"
"$folder/whole/bin/python" -c 'import kojimon, sys; sys.exit("site-packages" not in kojimon.__file__)' ||
    fail "the tests would run on something else than the wheel"
"$folder/whole/bin/python" -m pytest -q -m "not bench" -n "$(nproc)" tests/engine tests/curve tests/schedule tests/document \
    tests/review/test_render.py tests/web/test_page.py
echo "Whole."
