# Sourced by the scripts beside it. find_python prints a Python 3.11 or newer with venv, or says what to do and fails;
# `find_python_behind runuser -u kojimon --` one that works behind that command: for another user.
find_python() {
    find_python_behind env
}

find_python_behind() {
    for name in python3 python3.14 python3.13 python3.12 python3.11 /usr/bin/python3 /usr/local/bin/python3; do
        found=$(command -v "$name" 2>/dev/null) || continue
        if "$@" "$found" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' \
            2>/dev/null; then
            echo "$found"
            return 0
        fi
    done
    echo "kojimon needs Python 3.11 or newer with venv; none was found." >&2
    echo "On Debian or Raspberry Pi OS: sudo apt install python3 python3-venv" >&2
    return 1
}

# Makes .venv in this folder where there is none, and brings it up to date: make_environment PART..., extras of
# pyproject.toml, each with a line of its own: it takes its time. pip says only what went wrong.
make_environment() {
    if [ ! -x .venv/bin/python ]; then
        python=$(find_python)
        echo "Making an environment in .venv ($("$python" --version)) ..."
        "$python" -m venv .venv
    fi
    for part in "$@"; do
        case $part in
            test) echo "Getting what the tests need ..." ;;
            *) echo "Getting kojimon's libraries (a few minutes on a small Pi) ..." ;;
        esac
        .venv/bin/python -m pip install -qq --disable-pip-version-check --use-pep517 --editable ".[$part]"
    done
}
