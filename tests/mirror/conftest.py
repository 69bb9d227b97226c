"""Journal, stand-in server, and a mirror that is always stopped."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from kojimon.journal.reading.reader import Reader
from kojimon.mirror import sender
from kojimon.mirror.sender import Mirror
from kojimon.settings.spec import MirrorSettings
from tests.mirror.kitchen import Kitchen
from tests.mirror.standin import StandIn


@pytest.fixture
def kitchen(tmp_path: Path) -> Iterator[Kitchen]:
    made = Kitchen(tmp_path / "kitchen.journal")
    yield made
    made.close()


@pytest.fixture
def server() -> Iterator[StandIn]:
    made = StandIn()
    yield made
    made.close()


@pytest.fixture
def make_mirror(kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Mirror]]:
    """Makes and starts a mirror to a URL; real waits are cut short."""
    for name, seconds in (
        ("BACKOFF_FIRST_S", 0.05),
        ("BACKOFF_MOST_S", 0.2),
        ("FAULT_RETRY_S", 0.2),
        ("LOOK_EVERY_S", 0.2),
    ):
        monkeypatch.setattr(sender, name, seconds)
    made: list[tuple[Mirror, Reader]] = []

    def make(url: str, token: str = "secret-token", tell: Any = None, **options: Any) -> Mirror:
        settings = MirrorSettings(url=url, organisation="home", bucket="koji")
        reader = kitchen.reader()
        told = tell or (lambda what, ok, text: None)
        mirror = Mirror(
            settings, lambda: token, "cellar", lambda: reader, kitchen.writer, told, **{"pause_s": 0.0, **options}
        )
        made.append((mirror, reader))
        mirror.start()
        return mirror

    yield make
    for mirror, reader in made:
        mirror.stop(5)
        reader.close()
