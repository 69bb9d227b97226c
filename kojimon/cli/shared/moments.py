"""When something was done: `--at 14:20`, `--at "yesterday 23:10"`, `--ago 40 min`."""

from __future__ import annotations

import click

from kojimon.cli.shared.options import DURATION, F
from kojimon.contract.state import Document
from kojimon.errors import UsageError
from kojimon.words.moments import ago_of
from kojimon.words.speech import moment_utc, zone_info


def moment_options(function: F) -> F:
    """`--at` and `--ago`."""
    at = click.option("--at", metavar="TIME", help='When: 14:20, "yesterday 23:10", "Sat 9:05 pm".')
    ago = click.option("--ago", "ago_s", type=DURATION, metavar="TIME", help="How long ago: 40 min, 2 h 10 min.")
    return at(ago(function))


def moment_of(document: Document, at: str | None, ago_s: float | None) -> float | None:
    """How long ago the moment was (`at_ago_s` of an act); None when it is now.

    Args:
        document: the state document, for its present, its zone and whether its clock is to be trusted.
        at: a time of day as typed.
        ago_s: how long ago.

    Raises UsageError in words: both given, no time, a time to come, or a clock that is not set.
    """
    if at is not None and ago_s is not None:
        raise UsageError("Say either --at or --ago, not both.")
    if ago_s is not None:
        return ago_s
    if at is None:
        return None
    if not document.now.trusted:
        raise UsageError(
            f"--at {at}: the clock of this computer is not set, so a time of day cannot be used. "
            "Say how long ago it was: --ago 40 min."
        )
    now = moment_utc(document.now.utc).astimezone(zone_info(document.now.zone))
    return ago_of(at, now, "--at ")
