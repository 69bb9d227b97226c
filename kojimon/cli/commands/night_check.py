"""The night check and the probe-to-phone test: `kojimon alarms night-check`, `alarms test --probe`."""

from __future__ import annotations

import sys
from typing import Final

import click

from kojimon.cli.shared import screen
from kojimon.cli.shared.kitchen import Kitchen, LiveKitchen
from kojimon.cli.shared.opening import open_kitchen
from kojimon.cli.shared.options import config_option, example
from kojimon.clock import wait_s
from kojimon.contract.acts import AlarmTest, ProbeTest
from kojimon.contract.events import ProbeTestBegin
from kojimon.contract.night import NightCheck
from kojimon.errors import KojimonError, NotRunningError
from kojimon.units import show_duration
from kojimon.wiring import simulated_source
from kojimon.words import night_check as night_words
from kojimon.words import speech as say
from kojimon.words import status as words
from kojimon.words.outlook import tonight

LOOK_EVERY_S: Final = 0.5
RECEIPT_S: Final = 15.0
"""How long after the answer the receipt of the message is waited for."""


@click.command("night-check", epilog=example("kojimon alarms night-check", "kojimon alarms night-check --yes"))
@click.option("--yes", is_flag=True, help="Do not ask whether the phone is ready: it is in its night mode already.")
@config_option
def night_check(yes: bool, config: str | None) -> None:
    """Send a test alarm to the phone, as an alarm at night would come, and wait until you acknowledge it there.

    The exit code is 0 when the night check is passed; 1, with the reason, when it is not.
    """
    kitchen = _live(open_kitchen(config))
    before = _night_check(kitchen)
    if not before.channels:
        raise KojimonError(before.text)
    for number, advice in enumerate(night_words.ADVICE, 1):
        screen.say(f"{number}. {advice}")
    if not yes and sys.stdin.isatty():
        click.prompt("Enter when the phone is ready", default="", show_default=False, prompt_suffix=": ")
    kitchen.act(AlarmTest(text="The night check", wake=True), "")
    screen.say(f"The test alarm goes out over {say.listing([*before.channels])}.")
    _follow(kitchen, _last(before))
    _verdict(kitchen)
    document = kitchen.state()
    for one in tonight(document, words.speech_of(document)):
        screen.say(one.text, one.tone)


def probe_to_phone(anywhere: Kitchen, probe: str) -> None:
    """A probe warmed in the hand, and how long until the phone calls. Raises KojimonError where it does not."""
    kitchen = _live(anywhere)
    before = _night_check(kitchen)
    speech = words.speech_of(kitchen.state())
    begun = kitchen.act(ProbeTest(probe=probe), "")
    start, what = next((event, what) for event in begun if isinstance(what := event.what, ProbeTestBegin))
    row = next(row for row in kitchen.probes() if row.name == probe)
    quantity, limit = row.quantity, what.limit
    minutes = show_duration((what.until_ms - start.t_ms) / 1000)
    screen.say(
        f"Take probe {probe} in your hand now (or breathe on it): it is at {speech.value(quantity, row.value)} "
        f"and has {minutes} to reach {speech.value(quantity, limit)} and stay there for 20 s. Put it back afterwards."
    )
    if not _warmed(kitchen, probe, before, start.no):
        raise KojimonError(f"Probe {probe} was not warmed in time. Try again: kojimon alarms test --probe {probe}")
    _follow(kitchen, _last(before))
    found = _night_check(kitchen)
    if not (found.last and found.last.passed):
        raise KojimonError(f"{found.chain or 'No message was sent'}. But it was not acknowledged on the phone.")
    screen.say(f"{found.chain}. Saved with today's date.", "good")


def _live(kitchen: Kitchen) -> LiveKitchen:
    if isinstance(kitchen, LiveKitchen):
        return kitchen
    raise NotRunningError("kojimon is not running, so it can send nothing. Start it first: kojimon run")


def _night_check(kitchen: LiveKitchen) -> NightCheck:
    found = kitchen.night_check()
    if found is None:
        raise KojimonError("kojimon has no channel here, so there is nothing to test. Add one to `channels:`.")
    return found


def _last(standing: NightCheck) -> int:
    """When the last test was raised, engine ms; -1 for never."""
    return standing.last.at_t_ms if standing.last else -1


def _warmed(kitchen: LiveKitchen, probe: str, before: NightCheck, after: int) -> bool:
    """Waits until the probe has raised the test; whether it did."""
    speech, shown = words.speech_of(kitchen.state()), ""
    while _last(_night_check(kitchen)) == _last(before):
        if kitchen.events(after=after, kinds="probe-test-missed"):
            return False
        row = next(row for row in kitchen.probes() if row.name == probe)
        value = speech.value(row.quantity, row.value)
        if value != shown:
            screen.say(f"{probe} {value}", "quiet")
            shown = value
        wait_s(LOOK_EVERY_S)
    return True


def _follow(kitchen: LiveKitchen, before_ms: int) -> None:
    """Says what happens on each channel until somebody has answered or the test has run out.

    Whoever is quick acknowledges before the sender has heard that the message went out: its receipt is waited for.
    """
    told: set[str] = set()
    looks = RECEIPT_S / LOOK_EVERY_S
    while True:
        last = _night_check(kitchen).last
        fresh = last if last is not None and last.at_t_ms != before_ms else None
        for line, tone in night_words.lines(fresh) if fresh else ():
            if line not in told:
                screen.say(line, tone)
                told.add(line)
        if fresh and fresh.over:
            looks -= 1
            if fresh.out_s or fresh.failed or looks < 0:
                return
        wait_s(LOOK_EVERY_S)


def _verdict(kitchen: LiveKitchen) -> None:
    found = _night_check(kitchen)
    if not found.passed:
        raise KojimonError(f"{found.text}.")
    screen.say(f"{found.text}.", "good")
    for text in found.overdue:
        screen.say(text, "look")


def _simulated(kitchen: Kitchen) -> bool:
    if isinstance(kitchen, LiveKitchen):
        return any(source.kind == "simulated" for source in kitchen.client.health().sources.values())
    return simulated_source(kitchen.settings) is not None


def print_night_check(kitchen: Kitchen) -> None:
    """Whether the night check is passed and what is overdue, for screens that show how it stands. Of a simulated box
    that can reach nobody nothing is said: there is no night to check."""
    found = kitchen.night_check()
    if found is None or (not found.channels and _simulated(kitchen)):
        return
    screen.say(f"{found.text}.", "good" if found.passed else "look")
    for text in found.overdue:
        screen.say(text, "look")
