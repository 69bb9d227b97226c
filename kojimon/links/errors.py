"""What a link says when it breaks."""

from __future__ import annotations

from kojimon.errors import KojimonError


class LinkError(KojimonError):
    """A port, bus, broker or file gave way. The text says which, what happened and what to look at."""
