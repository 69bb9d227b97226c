"""Watches other kojimons by their signs of life: silence of one of them is an alarm here, told over our own channels.

An inside check would be one of the things that are down. Only a fresh sign counts: what a broker kept proves nothing.
Times are real.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping

from kojimon import logs
from kojimon.clock import real_s
from kojimon.units import show_duration

_LOG = logs.get("watch")


class Watch:
    """See the module text.

    Args:
        sites: name of each watched site to the silence in seconds after which it is told.
        health: takes a change (`site:NAME`, ok, text).
    """

    def __init__(self, sites: Mapping[str, float], health: Callable[[str, bool, str], None]) -> None:
        self._sites, self._health = dict(sites), health
        self._changed = threading.Condition()
        self._heard_s: dict[str, float] = {}
        self._told: set[str] = set()
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="watch", daemon=True)

    def start(self) -> None:
        """Begins: each site has its whole time from now on."""
        now_s = real_s()
        with self._changed:
            for site in self._sites:
                self._heard_s.setdefault(site, now_s)
        self._thread.start()

    def stop(self, timeout_s: float = 1.0) -> bool:
        """Ends. Whether in time."""
        with self._changed:
            self._stopping = True
            self._changed.notify_all()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def heard(self, site: str, retained: bool = False) -> None:
        """A sign of life has come, in any thread."""
        if site not in self._sites or retained:
            return
        with self._changed:
            self._heard_s[site] = real_s()
            self._changed.notify_all()

    def check(self, now_s: float) -> float:
        """Tells what has changed. Returns the real time of the next look."""
        with self._changed:
            heard = dict(self._heard_s)
        due = []
        for site, after_s in self._sites.items():
            silent_s = now_s - heard[site]
            if silent_s >= after_s and site not in self._told:
                self._told.add(site)
                text = f"no heartbeat for {show_duration(silent_s)}: check its computer, power and network"
                _LOG.warning("%s", text)
                self._health(f"site:{site}", False, text)
            elif silent_s < after_s and site in self._told:
                self._told.discard(site)
                self._health(f"site:{site}", True, "heartbeats again")
            if silent_s < after_s:
                due.append(heard[site] + after_s)
        return min(due, default=now_s + max(self._sites.values(), default=60.0))

    def silent_s(self) -> dict[str, float]:
        """For status: seconds since the last sign of each site."""
        now_s = real_s()
        with self._changed:
            return {site: round(now_s - at_s, 1) for site, at_s in self._heard_s.items()}

    def _run(self) -> None:
        while not self._stopping:
            wait_s = self.check(real_s()) - real_s()
            with self._changed:
                if not self._stopping:
                    self._changed.wait(max(0.0, wait_s))
