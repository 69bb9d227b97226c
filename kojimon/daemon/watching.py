"""The daemon's part that watches other kojimons over the brokers on which they publish their signs of life."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from kojimon.contract.health import WatchHealth
from kojimon.links.mqtt_io import Incoming, MqttIo
from kojimon.notify.watch import Watch
from kojimon.probes.sources.build import address, client_id
from kojimon.publish import topic_name
from kojimon.settings.secrets import read_secret
from kojimon.settings.spec import MqttSource, Settings


class Watching:
    """A part of the daemon (`daemon.run.Part`).

    Args:
        settings: `watch` names the sites.
        health: takes a change (`core.health`).
    """

    name = "watch"

    def __init__(self, settings: Settings, health: Callable[[str, bool, str], None]) -> None:
        self._watch = Watch({one.site: one.after_s for one in settings.watch}, health)
        self._links: list[MqttIo] = []
        sources = {one.name: one for one in settings.sources if isinstance(one, MqttSource)}
        for name in dict.fromkeys(one.source for one in settings.watch):
            own = [one.site for one in settings.watch if one.source == name]
            sites = {f"kojimon/{topic_name(site)}/heartbeat": site for site in own}
            source = sources[name]
            link = MqttIo(
                f"watch-{name}", address(source, read_secret), client_id(source, settings.site, "watch"),
                filters=tuple(sites), heard=partial(self._heard, sites),
            )  # fmt: skip
            self._links.append(link)

    def start(self) -> None:
        """Connects and begins to listen."""
        for link in self._links:
            link.run()
        self._watch.start()

    def stop(self, timeout_s: float) -> bool:
        """Ends. Whether in time."""
        ended = self._watch.stop(timeout_s)
        for link in self._links:
            link.stop()
        return ended

    def facts(self) -> WatchHealth:
        """For status."""
        return WatchHealth(silent_s=self._watch.silent_s(), links=[link.facts() for link in self._links])

    def _heard(self, sites: dict[str, str], message: Incoming) -> None:
        self._watch.heard(sites.get(message.topic, ""), message.retained)
