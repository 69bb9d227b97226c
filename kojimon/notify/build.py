"""From settings to channels with their carriers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from kojimon.notify.dispatch import Carrier
from kojimon.notify.records import Channel, Quiet
from kojimon.notify.speaker import find_player
from kojimon.settings.secrets import read_secret
from kojimon.settings.spec import ChannelSettings, CommandChannel, Person, ServiceChannel, Settings, SpeakerSettings

SECOND_S: Final = 1200.0
"""The second person is called after so long without an answer, unless the settings say otherwise."""


def carriers_of(settings: Settings, find: Callable[[str], str] = find_player) -> list[Carrier]:
    """The channels of the settings, and the loudspeaker where one is found.

    Args:
        find: finds the program that plays (`speaker.find_player`); "" for none.
    """
    carriers = [Carrier(_channel(one), _payload(one)) for one in settings.channels]
    player = find(settings.speaker.player) if settings.speaker.use else ""
    if player:
        alone = all(one.second for one in settings.channels)
        carriers.append(Carrier(_speaker(settings.speaker, alone), _sound(settings.speaker, player)))
    return carriers


def quiet_of(person: Person) -> Quiet:
    """When the person sleeps."""
    return Quiet(person.zone, person.sleep_from, person.sleep_to)


def _channel(one: ChannelSettings) -> Channel:
    joins_s = SECOND_S if one.second and not one.joins_s else one.joins_s
    return Channel(one.name, one.tells, joins_s, one.second, one.repeats)


def _payload(one: ChannelSettings) -> Callable[[], dict[str, Any]]:
    if isinstance(one, CommandChannel):
        payload = {"kind": "command", "run": list(one.run), "limit_s": one.limit_s}
        return lambda: payload
    return _service(one)


def _service(one: ServiceChannel) -> Callable[[], dict[str, Any]]:
    # Read anew each time: a corrected file works without a restart, and no secret stays in this process.
    return lambda: {"kind": "service", "url": read_secret(one.url), "picture": one.picture}


def _speaker(one: SpeakerSettings, alone: bool) -> Channel:
    return Channel("speaker", tells=False, joins_s=0.0 if alone else one.joins_s, sounds=True)


def _sound(one: SpeakerSettings, player: str) -> Callable[[], dict[str, Any]]:
    payload = {"kind": "speaker", "player": player, "loudest": one.loudest_pct / 100}
    return lambda: payload
