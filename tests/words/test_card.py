"""Every surface says what the card says: page, terminal, message and topic, of states that the engine made."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from html import unescape
from typing import Any

import msgspec
import pytest
from msgspec.structs import replace

from kojimon.cli.commands import sites
from kojimon.cli.commands.status import print_alarms, print_card
from kojimon.contract.state import Document, Now, Units
from kojimon.engine import advance, view
from kojimon.model import Event
from kojimon.notify.records import Send
from kojimon.notify.text import Desk, compose
from kojimon.publish import retained_topics
from kojimon.schedule.spec import After, Deviation, Exposure, Step, Window
from kojimon.web.api.stamps import stamped
from kojimon.web.page.shown import regions
from kojimon.web.page.view import view_of
from kojimon.words.card import BoxTopic, Cards, cards_of
from kojimon.words.listed import Listed
from kojimon.words.speech import Speech
from kojimon.words.status import speech_of
from tests.alarms.build import HIGH, LOW, MIN, Case, H, high, schedule
from tests.engine.build import home_schedule
from tests.parts.inputs import input_row

TURN = Step("turn", "Turn the trays", window=Window(*(After("inoculate", minutes * MIN) for minutes in (10, 20, 30))))
FAR = Deviation("air", 30.0, above=3.0, below=3.0, for_s=1800.0)


def hot() -> Case:
    return home().hold(20 * MIN, bed=35.0).hold(20 * MIN, bed=44.0)


def home(*more: Step) -> Case:
    """A batch whose spores went on at once, whatever the probes say."""
    plan = home_schedule()
    return Case(replace(plan, steps=(*(replace(step, gate=None) for step in plan.steps), *more)))


def done(case: Case, kind: str, **data: Any) -> Case:
    case.do(kind, **data)
    return case


def unwell() -> Case:
    case = home().hold(H)
    case.rows.input("health", what="broker:house", ok=False, text="no route")
    case.rows.input("health", what="disk", ok=False, text="Disk nearly full: 20 MB left. Free space. It fills.")
    case.run()
    return case


CASES: dict[str, Callable[[], Case]] = {
    "steady": lambda: home().hold(H),
    "hot": hot,
    "acknowledged": lambda: done(hot(), "alarm.acknowledge", key=HIGH),
    "paused": lambda: done(hot(), "alarm.shelve", key=HIGH, for_s=600.0),
    "silenced": lambda: done(hot(), "alarm.silence", key=HIGH, for_s=600.0),
    "repair": lambda: done(hot(), "alarm.out_of_service", key=HIGH, reason="new cable"),
    "held": lambda: done(hot(), "work.begin"),
    "over": lambda: hot().hold(30 * MIN, bed=36.0),
    "latched": lambda: Case(schedule(high(latch=True))).hold(5 * MIN, bed=36.0).hold(10 * MIN, bed=30.0),
    "cold": lambda: home().hold(2 * H, every_s=60.0, bed=20.0, middle=21.0),
    "silent": lambda: home().hold(H).silent(3 * H, 1),
    "blind": lambda: home().hold(H).silent(4 * H, 1, 2),
    "late": lambda: home(TURN).hold(H),
    "far": lambda: Case(schedule(watches=(FAR, Exposure("bed", 40.0, 3 * H)))).hold(4 * H, air=26.0, bed=41.0),
    "health": unwell,
    "ended": lambda: done(home().hold(H), "batch.discard", reason="slimy"),
}
"""Boxes in trouble of each kind, and alarms in each state."""


@cache
def case_of(name: str) -> Case:
    return CASES[name]()


def seen(case: Case) -> tuple[Document, Cards, Speech]:
    made = replace(view(case.state, case.rows.t_ms), now=Now("", True, "America/Chicago"), units=Units(True, True))
    made = stamped(made, lambda t_ms: (case.utc0_ms + t_ms - case.rows.t0_ms, True))
    assert made.utc is not None
    document = replace(made, now=replace(made.now, utc=made.utc))
    speech = speech_of(document)
    return document, cards_of(document, speech), speech


@pytest.mark.parametrize("name", CASES)
def test_the_page_says_the_card(name: str) -> None:
    document, cards, speech = seen(case_of(name))
    html = unescape(" ".join(regions(view_of(document, speech), {"box": []}, {}).values())).replace("\u00a0", " ")
    for text in said(cards):
        assert text in html, text
    for alarm in cards.listed:
        assert all(step in html for step in alarm.steps) and alarm.detail in html
        assert (f'name="kind" value="{alarm.acts[0]}"' in html or "/repair?" in html) if alarm.acts else True
    assert all(html.count(f">{text}</span>") + html.count(f"{text} <span") <= 1 for text in alarm_texts(cards))


@pytest.mark.parametrize("name", CASES)
def test_the_terminal_says_the_card(
    name: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    _, cards, _ = seen(case_of(name))
    print_card(cards.boxes[0], cards.now)
    print_alarms(cards.listed)
    shown = " ".join(capsys.readouterr().out.split())
    for text in said(cards):
        assert " ".join(text.split()) in shown, text


@pytest.mark.parametrize("name", CASES)
def test_a_message_says_the_card_s_line(name: str) -> None:
    document, cards, _ = seen(case_of(name))
    case = case_of(name)
    desk = Desk(document, lambda t_ms: (case.utc0_ms + t_ms - case.rows.t0_ms, True), document.t_ms)
    for alarm in cards.listed:
        event = begun(case, alarm)
        if not alarm.holds or event is None:
            continue
        send = Send("x", "phone", "call", messages=(), events=(), urgent=alarm.calls)
        text = compose(send, [event], desk)
        assert text.title == alarm.text
        assert alarm.detail in text.body and alarm.consequence in text.body


@pytest.mark.parametrize("name", CASES)
def test_a_topic_carries_the_card_and_the_list_of_sites_reads_it(name: str) -> None:
    document, cards, _ = seen(case_of(name))
    topics = retained_topics(document, "kojimon/cellar")
    topic = msgspec.json.decode(topics["kojimon/cellar/box/state"], type=BoxTopic)
    assert (topic.card, topic.alarms) == (cards.boxes[0], cards.alarms)
    (row,) = sites.rows_of({**topics, "kojimon/cellar/status": b"online"}, 0)
    cells, tone = sites.line_of(row)
    assert (cells[-1], tone) == (cards.boxes[0].headline.text, cards.boxes[0].headline.tone)


@pytest.mark.parametrize("name", CASES)
def test_the_engine_takes_each_act_that_an_alarm_offers_and_no_other_of_its_kind(name: str) -> None:
    _, cards, _ = seen(case_of(name))
    for alarm in cards.listed:
        for kind in alarm.acts:
            assert taken(case_of(name), kind, alarm), (alarm.key, kind)
        for kind in {"alarm.acknowledge", "alarm.reset", "alarm.unshelve", "alarm.in_service"} - {*alarm.acts}:
            assert not taken(case_of(name), kind, alarm), (alarm.key, kind)


def test_the_engine_takes_what_a_box_offers() -> None:
    for name, kind, data in (
        ("steady", "step.done", {"step": "check"}), ("steady", "step.undo", {"mark": 1}),
        ("steady", "batch.note", {"text": "white"}), ("steady", "batch.harvest", {}),
        ("steady", "probe.move", {"probe": "koji-top", "tray": "middle"}), ("ended", "batch.start", {}),
        ("ended", "batch.reopen", {}), ("steady", "reading", {"value_c": 31.0}),
    ):  # fmt: skip
        _, cards, _ = seen(case_of(name))
        assert kind in cards.boxes[0].acts
        assert not refusals(case_of(name), kind, data), (name, kind)
    assert "batch.start" not in seen(case_of("steady"))[1].boxes[0].acts
    assert "batch.harvest" not in seen(case_of("ended"))[1].boxes[0].acts


def test_all_kinds_of_trouble_are_there() -> None:
    found = {alarm.key.split("/")[0] for name in CASES for alarm in seen(case_of(name))[1].listed}
    assert found >= {"limit", "silent", "blind", "deviation", "exposure", "health"}
    alarms = [alarm for name in CASES for alarm in seen(case_of(name))[0].listed()]
    assert {alarm.state for alarm in alarms} >= {
        "UNACK", "ACKED", "SHLVD", "OOSRV", "RTNUN", "DSUPR", "LATCH-UNACK",
    }  # fmt: skip
    assert any(alarm.key == LOW for alarm in alarms)


def said(cards: Cards) -> Iterator[str]:
    """What no surface may leave out or say otherwise."""
    (card,) = cards.boxes
    yield card.headline.text
    yield from alarm_texts(cards)
    yield from (alarm.state for alarm in cards.listed)
    if card.step is not None:
        yield card.step.window
    yield from (part for value in (*card.values, *card.beside) for part in value.value.split(" ")[:1])
    yield from filter(None, (card.unmeasured, *card.untold))


def alarm_texts(cards: Cards) -> list[str]:
    return [alarm.text for alarm in cards.listed]


def begun(case: Case, alarm: Listed) -> Event | None:
    """The latest event that called for an alarm; None where it was set aside before it ever did."""
    rows = [event for event in case.of(alarm.key, repeats=True) if event.incubator == alarm.box]
    return next((event for event in reversed(rows) if getattr(event.what, "to", "") == "UNACK"), None)


def refusals(case: Case, kind: str, data: dict[str, Any], incubator: str = "box") -> list[Event]:
    """What the engine says against an act at this moment; the case itself stays as it is."""
    payload = {"kind": kind, "incubator": incubator, "who": "anna", "channel": "cli", "idempotency": "", "data": data}
    _, outcome = advance(case.state, [input_row(case.rows.seq + 1, case.rows.t_ms, "act", payload)], case.rows.t_ms)
    return [event for event in outcome.events if event.kind in ("refused", "unchanged")]


def taken(case: Case, kind: str, alarm: Listed) -> bool:
    more = {"for_s": 600.0} if kind in ("alarm.shelve", "alarm.silence") else {}
    reason = {"reason": "cable"} if kind == "alarm.out_of_service" else {}
    return not refusals(case, kind, {"key": alarm.key, **more, **reason}, alarm.box)
