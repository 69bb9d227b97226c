"""Runs the daemon on a settings file in a process of its own: child.py CONFIG STATE_FOLDER."""

import os
import sys
from pathlib import Path

from kojimon import logs
from kojimon.clock import real_s
from kojimon.daemon import Daemon, keep, run_daemon, settings_for_run
from kojimon.errors import KojimonError


def main() -> int:
    """The exit code, as the command gives it."""
    logs.configure(real_s)
    try:
        config, folder = Path(sys.argv[1]), Path(sys.argv[2])
        settings, trouble = settings_for_run(config, folder)

        def ready(_daemon: Daemon) -> None:
            if not trouble:
                keep(settings, config, folder)
            print("ready", flush=True)

        return run_daemon(settings, ready=ready, trouble=trouble)
    except KojimonError as error:
        print(error, file=sys.stderr)
        return error.exit_code


if __name__ == "__main__":
    code = main()
    sys.stdout.flush()
    os._exit(code)
