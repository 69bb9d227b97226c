"""The calendar of a running batch as a phone gets it, read by icalendar and dateutil: it moves with the batch."""

from __future__ import annotations

import io
from base64 import b64encode
from collections.abc import Iterator
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from dateutil import tz
from icalendar import Calendar

from kojimon.settings.spec import Person
from tests.web.pages import TOKEN, Door, page

ADDRESS = "/calendar/box.ics"
PERSON = Person(zone="America/Chicago", sleep_from="22:30", sleep_to="06:30")


@pytest.fixture
def door(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    with page(tmp_path_factory.mktemp("calendar"), person=PERSON) as one:
        yield one


def entries(door: Door) -> dict[str, Any]:
    """The entries of the calendar by their names, and that it is one that a calendar can take."""
    answer = door.get(ADDRESS)
    assert answer.status == 200 and answer.headers["content-type"] == "text/calendar; charset=utf-8"
    book = Calendar.from_ical(answer.body)
    assert str(book["REFRESH-INTERVAL"].to_ical(), "ascii") == "PT1H" and book.subcomponents
    zones = tz.tzical(io.StringIO(answer.text))
    found = {str(entry["UID"]): entry for entry in book.walk("VEVENT")}
    for entry in found.values():
        described = zones.get(entry["DTSTART"].params["TZID"])
        wall = entry["DTSTART"].dt.replace(tzinfo=described)
        assert wall.timestamp() == entry["DTSTART"].dt.timestamp(), "the zone is described in the file"
    return found


def step(found: dict[str, Any], name: str) -> Any:
    """Its first entry."""
    return min((entry for uid, entry in found.items() if f"-{name}-" in uid), key=lambda entry: entry["DTSTART"].dt)


def test_it_moves_with_the_batch_and_is_empty_after_it(door: Door) -> None:
    """Spores twenty hours ago; the look is marked an hour later, then the koji is taken out."""
    assert entries(door) == {}
    assert door.act("batch.start", name="first", hour0_ago_s="20").status == 200
    before = entries(door)
    shown = door.get("/").text
    assert f'href="webcal://{door.host}{ADDRESS}"' in shown and f'href="{ADDRESS}" download' in shown
    assert f">http://{door.host}{ADDRESS}<" in shown
    behind = door.get("/", X_Forwarded_Proto="https").text
    assert f">https://{door.host}{ADDRESS}<" in behind
    assert "Look for white specks" in step(before, "first-check")["DESCRIPTION"]
    rings = [(entry["DTSTART"].dt + alarm["TRIGGER"].dt).astimezone(ZoneInfo(PERSON.zone))
             for entry in before.values() for alarm in entry.walk("VALARM")]  # fmt: skip
    assert rings and all((6, 30) <= (at.hour, at.minute) < (22, 30) for at in rings)

    door.live.tick(3600)
    assert door.act("step.done", step="first-check").status == 200
    after = entries(door)
    assert not any("-first-check-" in uid for uid in after) and "-harvest-1" in " ".join(after)
    assert step(after, "harvest")["UID"] == step(before, "harvest")["UID"], "it takes the place of the one before"
    mixed = step(after, "mix")["DTSTART"].dt, step(before, "mix")["DTSTART"].dt
    assert mixed[0] != mixed[1] and step(after, "harvest")["DTSTART"].dt > mixed[0]
    assert door.act("batch.harvest").status == 200
    assert entries(door) == {}


def test_a_calendar_says_the_token_as_its_password(tmp_path_factory: pytest.TempPathFactory) -> None:
    """A phone's calendar can be told a name and a password, and sends nothing else (RFC 7617)."""
    with page(tmp_path_factory.mktemp("guarded"), token=True) as door:
        refused = door.get(ADDRESS, Accept="text/html,text/calendar")
        assert refused.status == 401 and refused.headers["www-authenticate"].startswith('Basic realm="kojimon"')
        said = {name: f"Basic {b64encode(f'me:{word}'.encode()).decode()}" for name, word in
                (("right", TOKEN), ("wrong", "guess"))}  # fmt: skip
        assert door.get(ADDRESS, Authorization=said["wrong"]).status == 401
        assert door.get(ADDRESS, Authorization="Basic !").status == 401
        assert door.get(ADDRESS, Authorization=said["right"]).status == 200
        assert door.get("/v1/state", Authorization=said["right"]).status == 401, "calendars, and nothing else"
        acted = door.ask("POST", "/act", b"kind=batch.note&text=x", Origin=door.origin, Authorization=said["right"],
                         Content_Type="application/x-www-form-urlencoded")  # fmt: skip
        assert acted.status == 401
