"""Starting the daemon: from settings, or from a settings file with the last good ones behind it."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable
from typing import Any

from kojimon.clock import Clock
from kojimon.daemon.run import Daemon
from kojimon.probes.sources.simulated import Glimpse
from kojimon.settings.spec import Settings

SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
"""SIGHUP comes when the terminal is closed: no reason to leave the journal without a goodbye."""


def on_signals(daemon: Daemon) -> None:
    """Lets signals end the daemon in order; the second one ends the process at once."""

    def handle(number: int, _frame: Any) -> None:
        signal.signal(number, signal.SIG_DFL)
        daemon.end(signal.Signals(number).name)

    for number in SIGNALS:
        if signal.getsignal(number) is not signal.SIG_IGN:  # as under nohup, where the terminal may go
            signal.signal(number, handle)


def run_daemon(
    settings: Settings,
    clock: Clock | None = None,
    *,
    ready: Callable[[Daemon], None] | None = None,
    trouble: str = "",
    progress: Callable[[Glimpse], None] | None = None,
    stay: bool = False,
) -> int:
    """Runs the daemon until a signal, `Daemon.end`, or the end of a simulated incubator. Returns the exit code.

    Args:
        settings, clock, trouble, progress, stay: see Daemon.
        ready: called once everything runs and the API answers.

    Raises:
        KojimonError: it cannot start.
    """
    notifier, watchdog_s = None, 0.0
    if os.environ.get("NOTIFY_SOCKET"):
        from sdnotify import SystemdNotifier

        notifier, watchdog_s = SystemdNotifier(), int(os.environ.get("WATCHDOG_USEC") or 0) / 1e6
    daemon = Daemon(
        settings, clock, trouble=trouble, progress=progress, stay=stay, notifier=notifier, watchdog_s=watchdog_s
    )
    if threading.current_thread() is threading.main_thread():
        on_signals(daemon)
    return daemon.run(ready)
