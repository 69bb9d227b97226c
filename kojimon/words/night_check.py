"""The night check in words: what has happened so far, line by line."""

from __future__ import annotations

from typing import Final

from kojimon.contract.night import Trial
from kojimon.units import show_duration

ADVICE: Final = (
    "Let the app, number or mail account that brings the message through the phone's night mode: its settings have a"
    " list of exceptions (do not disturb, focus, sleep).",
    "Turn up the volume of alarms or messages; charge the phone, and leave it within reach.",
    "Put the phone into its night mode now, then start the test, and press Acknowledge on the phone.",
)
"""What to do with the phone before the test."""


def lines(last: Trial) -> list[tuple[str, str]]:
    """What became of a test, and the tone of each line.

    Args:
        last: the test.
    """
    found = [
        (f"{name}: failed, {why or 'no reason given'}; kojimon tries again", "wrong")
        for name, why in last.failed.items()
    ]
    found += [
        (f"{name}: sent after {out_s:.1f} s. Press Acknowledge on the phone.", "plain")
        for name, out_s in last.out_s.items()
    ]
    if last.answered_s is not None:
        who = f" by {last.who}" if last.who else ""
        through = f" ({last.channel})" if last.channel else ""
        found.append((f"Acknowledged{who}{through} after {show_duration(last.answered_s)}.", "plain"))
    return found
