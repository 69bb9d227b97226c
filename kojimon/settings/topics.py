"""MQTT topic filters: whether two of them can match the same topic."""

from __future__ import annotations


def overlap(first: str, second: str) -> bool:
    """Whether some topic matches both filters (MQTT 5.0, 4.7.1.2 and 4.7.1.3: `#` also matches its parent level)."""
    return _overlap(first.split("/"), second.split("/"))


def _overlap(first: list[str], second: list[str]) -> bool:
    for level, (one, other) in enumerate(zip(first, second, strict=False)):
        if "#" in (one, other):
            return True
        if "+" not in (one, other) and one != other:
            return False
        if level == min(len(first), len(second)) - 1 and len(first) != len(second):
            longer = first if len(first) > len(second) else second
            return len(longer) == level + 2 and longer[-1] == "#"
    return len(first) == len(second)
