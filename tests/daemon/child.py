"""Runs the daemon on a settings file in a process of its own: child.py CONFIG STATE_FOLDER."""

import os
import sys
from pathlib import Path

from kojimon import logs
from kojimon.clock import real_s
from kojimon.daemon import run_from_file
from kojimon.errors import KojimonError


def main() -> int:
    """The exit code, as the command gives it."""
    logs.configure(real_s)
    try:
        return run_from_file(
            Path(sys.argv[1]), state_folder=Path(sys.argv[2]), ready=lambda _: print("ready", flush=True)
        )
    except KojimonError as error:
        print(error, file=sys.stderr)
        return error.exit_code


if __name__ == "__main__":
    code = main()
    sys.stdout.flush()
    os._exit(code)
