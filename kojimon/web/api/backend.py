"""What the API and the page ask of the daemon."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from kojimon.contract.acts import PlainAct
from kojimon.contract.health import DaemonHealth
from kojimon.contract.night import NightCheck
from kojimon.contract.rows import ListedProbe
from kojimon.contract.state import Document
from kojimon.journal.reading.reader import Reader
from kojimon.journal.stamps import Stamps
from kojimon.model import Reply
from kojimon.web.api.stamps import UtcOf

Fields = Mapping[str, object]
"""A JSON object of an answer."""


class Backend(Protocol):
    """The daemon, as the API sees it. Every method may be called from any thread."""

    def state(self) -> Document: ...
    def health(self) -> DaemonHealth: ...
    def night_check(self) -> NightCheck: ...
    def probes(self) -> list[ListedProbe]: ...
    def act(self, asked: PlainAct) -> Reply: ...
    def reader(self) -> Reader: ...
    def stamps(self) -> Stamps: ...
    def utc_of(self) -> UtcOf: ...
    def now_ms(self) -> int: ...
