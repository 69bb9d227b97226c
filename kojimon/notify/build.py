"""From settings to channels with their carriers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from kojimon.notify.asked import Command, Service, Sound, Way
from kojimon.notify.dispatch import Carrier
from kojimon.notify.records import Channel
from kojimon.notify.speaker import find_player
from kojimon.settings.secrets import read_secret
from kojimon.settings.spec import ChannelSettings, CommandChannel, Settings, SpeakerSettings

SECOND_S: Final = 1200.0
"""The second person is called after so long without an answer, unless the settings say otherwise."""


def carriers_of(settings: Settings, find: Callable[[str], str] = find_player) -> list[Carrier]:
    """The channels of the settings, and the loudspeaker where one is found.

    Args:
        find: finds the program that plays (`speaker.find_player`); "" for none.
    """
    carriers = [Carrier(_channel(one), _way(one)) for one in settings.channels]
    player = find(settings.speaker.player) if settings.speaker.use else ""
    if player:
        sound = Sound("speaker", player, settings.speaker.loudest_pct / 100)
        alone = all(one.second for one in settings.channels)
        carriers.append(Carrier(_speaker(settings.speaker, alone), lambda: sound))
    return carriers


def _channel(one: ChannelSettings) -> Channel:
    joins_s = SECOND_S if one.second and not one.joins_s else one.joins_s
    return Channel(one.name, one.tells, joins_s, one.second, one.repeats)


def _way(one: ChannelSettings) -> Callable[[], Way]:
    if isinstance(one, CommandChannel):
        return lambda: Command(one.name, one.run, one.limit_s)
    # Read anew each time: a corrected file works without a restart, and no secret stays in this process.
    return lambda: Service(one.name, read_secret(one.url), one.picture)


def _speaker(one: SpeakerSettings, alone: bool) -> Channel:
    return Channel("speaker", tells=False, joins_s=0.0 if alone else one.joins_s, sounds=True)
