"""One batch from the empty box to its review, stopped in twelve states a person meets: for the eye and for words."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from kojimon.schedule.load import load_schedule
from kojimon.settings.spec import Incubator, Units
from tests.browser.cook import Cook
from tests.daemon.sites import HOME_TRAYS
from tests.web.pages import page


@contextmanager
def kitchen(folder: Path) -> Iterator[Cook]:
    """A box with probes and one without, read in °F and lb."""
    schedule = load_schedule(HOME_TRAYS)
    boxes = (
        Incubator("box", schedule, "The cool box", trays=("top", "middle", "bottom")),
        Incubator("attic", schedule, "The attic", trays=("top", "bottom")),
    )
    with page(folder, incubators=boxes, units=Units(True, True)) as door:
        yield Cook(door)


def states(one: Cook) -> Iterator[tuple[str, str]]:
    """The states by name, each with the address that shows it; the kitchen stands in it until the next is asked for."""
    one.hour = -3.0
    one.feed(1.0)
    yield stopped(one, "1-warming")
    one.door.act("batch.start", name="New Year", rice_kg="4 lb")
    one.offset_k = 5.0
    one.feed(0.3)
    yield stopped(one, "2-waiting")
    one.offset_k, one.hour = 0.0, -0.1
    one.feed(0.1)
    one.door.act("step.done", step="inoculate", value_c="88")
    one.feed(8.0)
    yield stopped(one, "3-quiet")
    one.feed(12.5)
    yield stopped(one, "4-mixing")
    one.door.act("step.done", step="first-check")
    one.feed(10.0)
    one.offset_k = 3.2
    one.feed(0.08)
    yield stopped(one, "5-delay")
    one.feed(0.3)
    yield stopped(one, "6-alarm")
    (alarm,) = [row for row in one.live.client.get("/v1/state")["incubators"][0]["alarms"] if row["state"] == "UNACK"]
    one.door.act("alarm.acknowledge", key=alarm["key"], occurrence=str(alarm["occurrence"]))
    one.feed(0.1)
    yield stopped(one, "7-acknowledged")
    one.offset_k = 0.0
    one.door.act("step.done", step="mix")
    one.feed(1.0)
    for _ in range(25):
        one.live.tick(60.0)
    yield stopped(one, "8-no-reading")
    one.door.act("batch.start", incubator="attic", name="By hand", hour0_ago_s="20")
    one.feed(0.5)
    one.door.act("reading", incubator="attic", value_c="93", tray="top")
    one.door.act("reading", incubator="attic", value_c="91.5", tray="bottom")
    one.feed(0.1)
    yield stopped(one, "9-by-hand", "attic")
    one.feed(12.0)
    yield stopped(one, "10-harvest")
    one.door.act("batch.harvest", yield_kg="4.9 lb")
    one.feed(0.2)
    yield stopped(one, "11-cooling")
    last = one.live.client.get("/v1/batches", incubator="box")["batches"][-1]["id"]
    one.door.act("batch.verdict", batch=last, look="white", look_score="4", smell_score="5")
    yield "12-review", f"/batch/{last}"


def stopped(one: Cook, name: str, box: str = "box") -> tuple[str, str]:
    one.commit()
    return name, f"/box/{box}"
