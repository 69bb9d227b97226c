"""A whole daemon with a day of readings put through it as fast as it goes: memory_child.py FOLDER HOURS.

Its clock is driven, so a day passes in minutes; all else is the daemon's own: core, journal, API and page, telling
of people, the forecast's process. Every 10 minutes of its time somebody looks at the page, the curve, the state and the
metrics. Prints lines of JSON: hours gone, resident memory, proportional share.
"""

from __future__ import annotations

import json
import math
import sys
import urllib.request
from pathlib import Path

from tests.daemon.running import Running, broker_site, running

EVERY_S, LOOK_S = 10, 600
PROBES = ("bed", "bed-2", "bed-3", "air")
LOOKED_AT = ("/", "/curve/box.svg?width=336", "/v1/state", "/v1/events?limit=1000", "/metrics")


def memory_mb() -> tuple[float, float]:
    """Resident memory and proportional share of this process, MB."""
    text = Path("/proc/self/smaps_rollup").read_text(encoding="ascii")
    found = {line.split(":")[0]: int(line.split()[1]) for line in text.splitlines()[1:] if line.endswith("kB")}
    return found["Rss"] / 1024, found["Pss"] / 1024


def koji_c(hour: float, tray: int) -> float:
    """Something like a tray of koji: warming to 40 °C in a day, a dip where it was broken up."""
    warm = 30.0 + 10.0 / (1.0 + math.exp((18.0 - hour) / 2.5)) - (4.0 if 22.0 <= hour < 24.0 else 0.0)
    return round(warm - 0.4 * tray, 2)


def put_all(live: Running, hour: float) -> None:
    """One reading of every probe."""
    for tray, name in enumerate(PROBES):
        live.put(f"k/{name}", koji_c(hour, tray) if name != "air" else 29.5)


def look(live: Running) -> None:
    """What a person's page and a scraper ask."""
    (port,) = live.daemon.front.ports()
    for path in LOOKED_AT:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=30) as answer:
            answer.read()


def tell(hour: float) -> None:
    """One line of the result."""
    resident, share = memory_mb()
    print(json.dumps({"hour": hour, "rss_mb": round(resident, 1), "pss_mb": round(share, 1)}), flush=True)


def main(folder: Path, hours: int) -> None:
    """Runs the day."""
    with running(broker_site(folder)) as live:
        tell(0)
        live.act("batch.start", name="long", rice_kg=2.0)
        put_all(live, 0.0)
        live.tick(EVERY_S)
        live.act("step.done", step="inoculate")
        for second in range(0, hours * 3600, EVERY_S):
            put_all(live, second / 3600)
            live.tick(EVERY_S)
            if second % LOOK_S == 0:
                live.commit()
                look(live)
            if (second + EVERY_S) % 3600 == 0:
                tell((second + EVERY_S) / 3600)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
