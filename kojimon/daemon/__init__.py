"""The composition root: everything is built, supervised and shut down here."""

from kojimon.daemon.house import House, acting, still
from kojimon.daemon.lastgood import keep, settings_for_run
from kojimon.daemon.run import Daemon
from kojimon.daemon.start import run_daemon

__all__ = ["Daemon", "House", "acting", "keep", "run_daemon", "settings_for_run", "still"]
