"""On the page: an alarm without noise for a while, off for repair and back, the call before the night, a warm probe."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from kojimon.settings.spec import CommandChannel, SpeakerSettings
from tests.browser.conftest import ARTEFACTS
from tests.browser.cook import Cook
from tests.browser.test_batch import said
from tests.browser.test_looks import RULES, sizes_of
from tests.parts.wait import until
from tests.web.pages import page as serve

NewPage = Any
HIGH = "limit/bed/temperature/high"
HOT_K = 6.0


class House(Cook):
    """A box with hot koji and one channel that gets people up, a program that writes down each call."""

    log: Path

    def calls(self) -> list[str]:
        return self.log.read_text(encoding="utf-8").splitlines() if self.log.exists() else []

    def alarm(self, key: str = HIGH) -> dict[str, Any]:
        found: list[dict[str, Any]] = self.live.client.get("/v1/alarms")["alarms"]
        return next((row for row in found if row["key"] == key), {"state": "NORM"})


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    log = tmp_path / "calls"
    siren = CommandChannel("siren", ("/bin/sh", "-c", f'echo "$KOJIMON_KIND" >> {log}'), tells=True)
    with serve(tmp_path, channels=(siren,), speaker=SpeakerSettings(use=False)) as door:
        one = House(door)
        one.log = log
        yield one


def hot(house: House) -> None:
    house.door.act("batch.start", name="first", hour0_ago_s="30")
    house.hour = 30.0
    house.feed(0.4)
    house.offset_k = HOT_K
    house.feed(0.4)
    house.commit()


def clean(page: Page, name: str) -> None:
    """axe-core finds nothing, nothing is wider than the phone, every button is large enough for a thumb."""
    from axe_playwright_python.sync_playwright import Axe

    results = Axe().run(page, options=RULES)
    assert results.violations_count == 0, results.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    shown = sizes_of(page, "button, a.button, summary")
    assert [one for one in shown if one[2] < 44] == []
    ARTEFACTS.mkdir(exist_ok=True)
    page.screenshot(path=ARTEFACTS / f"{name}-360-light.png", full_page=True)
    page.set_viewport_size({"width": 1280, "height": 900})
    page.emulate_media(color_scheme="dark")
    page.screenshot(path=ARTEFACTS / f"{name}-1280-dark.png", full_page=True)
    assert Axe().run(page, options=RULES).violations_count == 0
    page.set_viewport_size({"width": 360, "height": 760})
    page.emulate_media(color_scheme="light")


def test_no_noise_for_a_while_and_it_calls_again_by_itself(house: House, new_page: NewPage) -> None:
    hot(house)
    page: Page = new_page(360, bypass_csp=True)
    page.goto(house.url)
    alarm = page.locator("#box-box .alarm.wrong").first
    expect(alarm).to_contain_text("repeats until acknowledged")
    quiet = alarm.get_by_role("button", name="Silence for 10 min")
    expect(quiet).to_be_hidden()
    alarm.locator(".less summary").click()
    clean(page, "less")
    quiet.click()
    said(page, re.compile(r"Silenced until .*, not acknowledged: .*too warm"))
    expect(alarm).to_contain_text(re.compile(r"silenced until \d\d:\d\d, not acknowledged"))
    expect(alarm).not_to_contain_text("repeats until acknowledged")
    # What was opened stays open while the page moves on, and offers no second silence.
    expect(alarm.get_by_role("link", name="Take out of service …")).to_be_visible()
    expect(alarm.get_by_role("button", name=re.compile("Silence for"))).to_have_count(0)
    assert house.alarm()["state"] == "UNACK" and house.alarm()["silent_until_t_ms"] is not None
    before = house.alarm()["calls"]
    house.feed(0.2)
    expect(alarm).to_contain_text("repeats until acknowledged")
    assert house.alarm()["calls"] == before + 1


def test_off_for_repair_with_a_reason_and_back(house: House, new_page: NewPage) -> None:
    hot(house)
    page: Page = new_page(360, bypass_csp=True)
    page.goto(house.url)
    alarm = page.locator("#box-box .alarm.wrong").first
    alarm.locator(".less summary").click()
    alarm.get_by_role("link", name="Take out of service …").click()
    expect(page.locator("h1")).to_contain_text("Take out of service:")
    expect(page.locator(".cautions")).to_contain_text("Out of service it sends no message")
    clean(page, "repair")
    go = page.get_by_role("button", name="Take out of service")
    go.click()
    assert page.locator("input:invalid").count() == 1, "it wants a reason"
    page.get_by_label("Why").fill("new probe on Sunday")
    go.click()
    said(page, re.compile(r"Out of service \(new probe on Sunday\): .*too warm"))
    card = page.locator(".alarm").filter(has_text="out of service (new probe on Sunday)")
    expect(card).to_be_visible()
    assert house.alarm()["state"] == "OOSRV"
    calls = len(house.calls())
    house.feed(0.5)
    assert len(house.calls()) == calls, "nobody is called meanwhile"
    card.locator("summary").first.click()
    card.get_by_role("button", name="Put back in service").click()
    expect(page.locator("#box-box .alarm.wrong").first).to_contain_text("repeats until acknowledged")
    assert house.alarm()["state"] == "UNACK"


def test_the_call_before_the_night(house: House, new_page: NewPage) -> None:
    house.feed(0.1)
    page: Page = new_page(360, bypass_csp=True)
    page.goto(house.url)
    page.get_by_role("link", name="Night check").click()
    stands = page.get_by_role("region", name="Night check")
    expect(stands).to_contain_text("Night check not passed: no test was acknowledged today. Alarms still run.")
    expect(stands).not_to_contain_text("kojimon alarms")
    clean(page, "night")
    page.get_by_role("button", name="Send a test alarm").click()
    said(page, "Test alarm")
    house.live.tick()
    until(house.calls)
    expect(stands).to_contain_text(re.compile(r"siren: sent after \d+\.\d s"))
    expect(stands).to_contain_text("the test is waiting")
    clean(page, "night-called")
    page.get_by_role("button", name="Acknowledge: it rang on this phone").click()
    expect(stands).to_contain_text("Night check passed: acknowledged")
    expect(page.get_by_role("button", name="Acknowledge: it rang on this phone")).to_have_count(0)
    assert house.live.client.get("/v1/health")["parts"]["notify"]["night_check"]["passed"] is True
    clean(page, "night-passed")


def test_a_probe_warmed_in_the_hand(house: House, new_page: NewPage) -> None:
    house.feed(0.1)
    page: Page = new_page(360)
    page.goto(f"{house.url}/night")
    stands = page.get_by_role("region", name="Night check")
    expect(stands).to_contain_text("The probe-to-phone test was never done.")
    page.get_by_label("Probe").select_option("bed-2")
    page.get_by_role("button", name="Start, I am warming it").click()
    expect(stands).to_contain_text(
        re.compile(r"Take probe bed-2 in your hand .* is at 30\.\d °C .* to reach 32\.\d")
    )
    house.offset_k = 3.0
    house.feed(40 / 3600, every_s=10.0)
    house.live.tick()
    until(house.calls)
    page.get_by_role("button", name="Acknowledge: it rang on this phone").click()
    expect(stands).to_contain_text(re.compile(r"Probe bed-2: \d+ s to raise the alarm, \d+ s to siren, in time\."))
    expect(stands).not_to_contain_text("never done")
    assert "bed-2" in house.live.client.get("/v1/health")["parts"]["notify"]["night_check"]["probe_tests"]


def test_it_can_be_done_without_a_script_and_not_without_the_token(tmp_path: Path, new_page: NewPage) -> None:
    siren = CommandChannel("siren", ("/bin/true",))
    with serve(tmp_path, channels=(siren,), token=True, look_free=True) as door:
        House(door).feed(0.1)
        code = door.live.client.post("/v1/page", {})["code"]
        page: Page = new_page(360, java_script_enabled=False)
        page.goto(f"{door.origin}/enter")
        page.get_by_label("Code or token").fill(code)
        page.get_by_role("button", name="Sign in").click()
        page.goto(f"{door.origin}/night")
        page.get_by_role("button", name="Send a test alarm").click()
        expect(page.locator(".told")).to_contain_text("Test alarm")
        page.get_by_role("button", name="Acknowledge: it rang on this phone").click()
        expect(page.locator(".told").first).to_contain_text("Acknowledged: test alarm")
        looks_only: Page = new_page(360, java_script_enabled=False)
        looks_only.goto(f"{door.origin}/night")
        looks_only.get_by_role("button", name="Send a test alarm").click()
        assert looks_only.url.endswith("/enter"), "the same token rule as for every other act"
