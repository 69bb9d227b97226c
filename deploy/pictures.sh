#!/bin/sh
# Makes the pictures of README.md anew, from the running program in a real browser: sh deploy/pictures.sh
# The batch is the invented one of tests/browser/test_looks.py. Look at them before you commit them.
set -eu
here=$(cd "$(dirname "$0")/.." && pwd)
cd "$here"
[ -x .venv/bin/pytest ] || { echo "The tests' environment is missing. Run first: sh deploy/test.sh" >&2; exit 1; }
.venv/bin/pytest -q -p no:randomly tests/browser/test_looks.py -k test_pictures
mkdir -p deploy/pictures
cp test-artefacts/first-now-360-light.png deploy/pictures/phone.png
cp test-artefacts/first-review-768-light.png deploy/pictures/review.png
ls -l deploy/pictures
