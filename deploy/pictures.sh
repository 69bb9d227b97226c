#!/bin/sh
# Makes the pictures of README.md anew, from the running program in a real browser: sh deploy/pictures.sh
# The batch is the invented one of tests/browser/twelve.py. Look at them before you commit them.
set -eu
here=$(cd "$(dirname "$0")/.." && pwd)
cd "$here"
[ -x .venv/bin/pytest ] || { echo "The tests' environment is missing. Run first: sh deploy/test.sh" >&2; exit 1; }
.venv/bin/pytest -q -p no:randomly tests/browser/test_states.py -k cut_off
mkdir -p deploy/pictures
cp test-artefacts/6-alarm.png deploy/pictures/phone.png
cp test-artefacts/12-review.png deploy/pictures/review.png
ls -l deploy/pictures
