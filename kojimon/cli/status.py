"""`kojimon status`: one screen, the sentence first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from kojimon.cli import screen
from kojimon.cli.kitchen import Kitchen, open_kitchen
from kojimon.cli.options import config_option, example, json_option
from kojimon.clock import wait_s
from kojimon.units import show_duration
from kojimon.words import alarms as alarm_words
from kojimon.words import speech as say
from kojimon.words import status as words
from kojimon.words.speech import Speech

WATCH_EVERY_S = 5.0
Document = Mapping[str, Any]


@click.command(epilog=example("kojimon status", "kojimon status --watch", "kojimon status --json"))
@config_option
@json_option
@click.option("--watch", "-w", is_flag=True, help="Stay, and show it anew every few seconds until Ctrl-C.")
def status(config: str | None, as_json: bool, watch: bool) -> None:
    """How it stands in one sentence, the one next step, the values and the alarms."""
    kitchen = open_kitchen(config)
    if as_json:
        screen.print_json(kitchen.state())
        return
    show(kitchen)
    while watch:
        wait_s(WATCH_EVERY_S)
        screen.clear()
        show(kitchen)


def show(kitchen: Kitchen) -> None:
    """One screen of the kitchen's state."""
    document = kitchen.state()
    speech = words.speech_of(document)
    notices(document, kitchen.live, speech)
    for incubator in document["incubators"]:
        _incubator(incubator, document, speech)
    for alarm in document["alarms"]:
        screen.say(f"{alarm_words.subject(alarm, speech)} ({alarm_words.alarm_state(alarm, speech, now_of(document))})")


def now_of(document: Document) -> str:
    """The document's moment, ISO 8601."""
    return str(document["now"]["utc"])


def notices(document: Document, live: bool, speech: Speech) -> None:
    """What must be known before the values are read."""
    if not live:
        stood = speech.moment(now_of(document), now_of(document))
        screen.say(f"Nobody is watching: no daemon runs. This is how it stood at {stood}.", "wrong")
    if not document["now"]["trusted"]:
        screen.say("The clock of this machine is not set; times of day may be wrong.", "look")


def _incubator(incubator: Document, document: Document, speech: Speech) -> None:
    screen.say(_title(incubator, document, speech), "quiet")
    said = words.sentence(incubator, speech, document["t_ms"])
    screen.say(said.text, said.tone)
    step = words.next_step(incubator, speech, document["t_ms"], now_of(document))
    if step is not None:
        _step(step)
    _values(incubator, speech)
    _alarms(incubator, document, speech)


def _title(incubator: Document, document: Document, speech: Speech) -> str:
    parts = [str(incubator.get("label") or incubator["name"])]
    batch = incubator["batch"]
    if batch:
        parts.append(f"batch {batch['name']}")
        if batch["hour"] is not None:
            parts.append(f"hour {batch['hour']:.1f}")
    if incubator["stage"]:
        parts.append(say.small_first(incubator["stage"]["label"]))
    return f"{', '.join(parts)} ({speech.moment(now_of(document), now_of(document))})"


def _step(step: words.Step) -> None:
    screen.say(f"\n{step.title}", "look" if step.late else "head")
    screen.say(step.window, indent=2)
    for sentence in step.advice:
        screen.say(sentence, indent=2)
    for caution in step.cautions:
        screen.say(f"Take care: {caution}", "look", indent=2)


def _values(incubator: Document, speech: Speech) -> None:
    rows = []
    for place in incubator["places"]:
        hottest = place.get("hottest")
        if not hottest:
            rows.append([_what(place, ""), "no fresh reading", "", ""])
            continue
        coldest = place.get("coldest") or hottest
        if hottest["probe"] == coldest["probe"]:
            rows.append([_what(place, hottest["tray"]), *_value(place, hottest, speech)])
        else:
            rows.append([f"{_what(place, hottest['tray'])}, hottest", *_value(place, hottest, speech)])
            rows.append([f"{_what(place, coldest['tray'])}, coldest", *_value(place, coldest, speech)])
    if rows:
        screen.say("")
        screen.table(["where", ">now", ">moving", "read"], rows)
    unmeasured = _unmeasured(incubator)
    if unmeasured:
        screen.say(f"Not measured: {say.listing(unmeasured)}.", "quiet")


def _what(place: Document, tray: str) -> str:
    name = say.big_first(say.where(place["place"], tray))
    return f"{name}, damp" if place["quantity"] == "humidity" else name


def _value(place: Document, extreme: Document, speech: Speech) -> list[str]:
    quantity, rate, age_s = place["quantity"], extreme.get("rate_per_h"), extreme["age_s"]
    moving = speech.slope(quantity, rate) if rate is not None else ""
    age = f"{show_duration(age_s)} ago" if age_s is not None else ""
    return [speech.value(quantity, extreme["value"]), moving, age]


def _unmeasured(incubator: Document) -> list[str]:
    """Trays without a probe, where at least one tray has a name."""
    seen = {probe["tray"] for probe in incubator["probes"] if probe["place"] == "bed"}
    trays = [tray for tray in incubator.get("trays", []) if tray not in seen]
    return [say.tray_name(tray) for tray in trays] if incubator["batch"] else []


def _alarms(incubator: Document, document: Document, speech: Speech) -> None:
    shown = incubator["alarms"]
    if not shown:
        screen.say("\nNo alarms.", "good")
        return
    screen.say("\nAlarms", "head")
    for alarm in shown:
        state = alarm_words.alarm_state(alarm, speech, now_of(document))
        since = alarm.get("since_utc")
        when = f", since {speech.moment(since, now_of(document))}" if since else ""
        active = alarm["state"] in ("UNACK", "ACKED")
        text = (
            words.first_line(alarm, incubator, speech, document["t_ms"])
            if active
            else alarm_words.subject(alarm, speech)
        )
        tone = ("wrong" if alarm["priority"] == "wake" else "look") if alarm["state"] == "UNACK" else "plain"
        screen.say(f"{state}{when}: {text}", tone, indent=2)
