"""A whole batch from the page at phone width, in a real browser, against the running daemon."""

from __future__ import annotations

import os
import re
import struct
import zlib
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from kojimon.daemon.run import Daemon
from kojimon.review.photos import LARGEST
from tests.browser.cook import Cook
from tests.web.pages import Door

NewPage = Any


def said(page: Page, text: str | re.Pattern[str]) -> None:
    """The page says it, as a message or as what it was told after an act."""
    expect(page.locator("#toast, .told").filter(has_text=text).first).to_be_visible()


def test_a_whole_batch_on_a_phone(cook: Cook, new_page: NewPage) -> None:
    # The browser itself notes in its console that an act was refused.
    page: Page = new_page(360, quiet=("409",))
    cook.feed()
    page.goto(cook.url)
    expect(page.locator(".sentence")).to_contain_text("No batch is open")

    page.get_by_role("link", name="Start a batch").click()
    page.get_by_label("Name of the batch").fill("New Year")
    page.get_by_label("Dry rice, kg").fill("2,5")
    page.get_by_role("button", name="Start").click()
    said(page, "Batch New Year begins with 2.5 kg of rice")

    # The rice is at 37 °C: too hot for the spores. The thermometer says otherwise.
    cook.offset_k = 6.0
    cook.feed(0.1)
    expect(page.locator(".sentence")).to_contain_text("The rice is at")
    expect(page.get_by_role("button", name="Done now")).to_have_count(0)
    page.get_by_role("link", name="Measured by hand").click()
    page.get_by_role("button", name="Done", exact=True).click()
    expect(page.get_by_role("alert").filter(has_text="Cool enough?")).to_contain_text("expected at most 32.2 °C")
    page.get_by_label("What a kitchen thermometer shows").fill("20")
    page.get_by_role("button", name="Done", exact=True).click()
    expect(page.get_by_role("alert").filter(has_text="Too cold")).to_contain_text("expected at least 28.0 °C")
    page.get_by_label("What a kitchen thermometer shows").fill("31")
    page.get_by_role("button", name="Done", exact=True).click()
    said(page, "Yes, 31.0 °C by the kitchen thermometer")
    cook.offset_k, cook.hour = 0.0, 0.0
    cook.feed(3.0)
    expect(page.locator(".where")).to_contain_text("hour 3.0")

    # Twenty hours later the first look is wanted; it was done half an hour ago.
    cook.feed(21.5)
    expect(page.locator(".step")).to_contain_text("look, break up and mix")
    page.get_by_role("link", name="Other time or details").click()
    page.get_by_label("30 min ago").check()
    page.get_by_role("button", name="Done", exact=True).click()
    said(page, "Done: look, break up and mix")

    # After it one quiet question; one tap, and it is gone.
    asked = page.get_by_role("region", name="Question")
    expect(asked).to_contain_text("back in the koji, each half-way down in the middle")
    asked.get_by_role("button", name="Yes, they are").click()
    expect(asked).to_have_count(0)

    # A note, at the hour.
    page.get_by_text("Write a note").click()
    page.get_by_label("What you saw, smelt or did").fill("white specks, sweet smell")
    page.get_by_role("button", name="Save note").click()
    said(page, "white specks, sweet smell")

    # It grows too hot: the alarm comes by itself, and is answered on the phone.
    cook.feed(6.0)
    cook.offset_k = 4.0
    cook.feed(0.5)
    alarm = page.locator(".alarm.wrong").first
    expect(alarm).to_be_visible()
    expect(page.locator(".sentence .badge")).to_have_text("Act now")
    alarm.get_by_role("button", name="Acknowledge").click()
    expect(alarm).to_contain_text("acknowledged, since")
    alarm.locator(".less summary").click()
    alarm.get_by_role("button", name="Pause for 30 min").click()
    expect(page.locator(".alarm").first).to_contain_text("shelved until")
    page.locator(".alarm summary").filter(has_text="shelved until").click()
    page.get_by_role("button", name="End pause").first.click()
    expect(page.locator(".alarm.wrong").first).to_be_visible()
    cook.offset_k = -3.0
    cook.feed(1.0)
    expect(page.locator(".alarm.wrong")).to_have_count(0)

    # A mark is taken back and set again.
    page.goto(cook.url)
    page.get_by_role("link", name=re.compile("Correct or take back: Look, break up and mix")).click()
    page.get_by_role("button", name="Take it back").click()
    said(page, "Taken back: look, break up and mix")

    cook.feed(12.0)
    page.goto(f"{cook.url}/harvest/box")
    expect(page.get_by_text("kojimon cannot tell whether koji is safe to eat").first).to_be_visible()
    page.get_by_label("Weight of the koji, kg").fill("2.9")
    page.get_by_role("button", name="Harvested").click()
    said(page, "Harvested: 2.9 kg of koji")
    cook.commit()

    page.get_by_role("link", name="Batches").click()
    page.get_by_role("link", name="New Year").click()
    expect(page.locator("h1").filter(has_text="Batch New Year")).to_be_visible()
    page.get_by_role("group", name="Look").get_by_label("5").check()
    page.get_by_role("group", name="Look").get_by_label("in your words").fill("white to the core")
    page.get_by_role("button", name="Save", exact=True).click()
    said(page, "Your verdict: look 5 of 5 (white to the core).")
    expect(page.locator(".r-verdict")).to_contain_text("white to the core")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360


def test_a_mixing_nobody_marked_is_answered_on_a_phone(cook: Cook, new_page: NewPage) -> None:
    """Mixed twice and never marked: one tap for the first, another time for the second."""
    cook.door.act("batch.start", name="first", hour0_ago_s="22")
    cook.hour, cook.offset_k = 22.0, 5.0
    cook.feed(1.0)
    cook.offset_k = 2.0
    cook.feed(0.3)
    page: Page = new_page(360)
    page.goto(cook.url)
    asked = page.get_by_role("region", name="Question")
    expect(asked).to_contain_text("The koji cooled suddenly then.")
    asked.get_by_role("button", name="Yes, at").click()
    said(page, "Done: look, break up and mix")
    expect(asked).to_contain_text("back in the koji, each half-way down in the middle")
    asked.get_by_role("button", name="Yes, they are").click()
    expect(asked).to_have_count(0)

    cook.feed(3.0)
    cook.offset_k = -1.0
    cook.feed(0.5)
    expect(asked).to_contain_text("The koji cooled suddenly then.")
    asked.get_by_role("link", name="Another time").click()
    page.get_by_label("15 min ago").check()
    page.get_by_role("button", name="Mixed then").click()
    said(page, "Done: mix and spread thinner")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360


def test_the_page_moves_by_itself(cook: Cook, new_page: NewPage) -> None:
    cook.door.act("batch.start", name="first", hour0_ago_s="20")
    cook.hour = 20.0
    cook.feed(1.0)
    cook.commit()
    page: Page = new_page(360)
    page.goto(cook.url)
    page.locator(".sheet[data-drawn]").wait_for()
    before = page.locator("svg.k-sheet .k-track .k-koji-0").first.get_attribute("d")
    value = page.locator(".values dd").first.inner_text()
    page.evaluate("window.stays = 'the same page'")
    cook.feed(1.0)
    cook.commit()
    expect(page.locator(".values dd").first).not_to_have_text(value)
    expect(page.locator("svg.k-sheet .k-track .k-koji-0").first).not_to_have_attribute("d", before or "")
    assert page.evaluate("window.stays") == "the same page"


def test_a_button_keeps_the_focus_while_the_page_moves(cook: Cook, new_page: NewPage) -> None:
    cook.door.act("batch.start", name="first", hour0_ago_s="24")
    cook.hour = 24.0
    cook.feed(0.2)
    page: Page = new_page(360)
    page.goto(cook.url)
    page.get_by_role("button", name="Done now").focus()
    text = page.locator(".sentence").inner_text()
    cook.offset_k = 1.5
    cook.feed(0.1)
    expect(page.locator(".sentence")).not_to_have_text(text)
    assert page.evaluate("document.activeElement.textContent") == "Done now"


def test_it_tells_when_nobody_answers_and_comes_back(cook: Cook, new_page: NewPage) -> None:
    """The daemon ends and another one starts at the same door: the page says so, then goes on by itself."""
    from msgspec.structs import replace

    from kojimon.settings.spec import WebSettings
    from tests.daemon.running import running

    cook.door.act("batch.start", name="first", hour0_ago_s="20")
    cook.feed(0.2)
    page: Page = new_page(360, quiet=("net::ERR_",))
    page.goto(cook.url)
    expect(page.locator(".where")).to_contain_text("batch first")
    old: Daemon = cook.live.daemon
    clock, settings = old.clock, replace(old.settings, web=WebSettings(port=cook.door.port))
    cook.live.end()
    expect(page.locator("#lost")).to_contain_text("No contact")
    with running(settings, clock) as again:
        cook.live, cook.door = again, Door(again)
        cook.offset_k = 3.3
        cook.feed(0.3)
        expect(page.locator("#lost")).to_be_hidden()
        expect(page.locator(".values").first).to_contain_text(re.compile(r"34\.\d °C"))


def test_several_boxes(tmp_path: Any, new_page: NewPage) -> None:
    from kojimon.schedule.load import load_schedule
    from kojimon.settings.spec import Incubator
    from tests.daemon.sites import HOME_TRAYS
    from tests.web.pages import page as serve

    schedule = load_schedule(HOME_TRAYS)
    boxes = (Incubator("box", schedule, "The cellar"), Incubator("attic", schedule, "The attic"))
    with serve(tmp_path, incubators=boxes) as door:
        Cook(door).feed()
        page: Page = new_page(360)
        page.goto(door.origin)
        expect(page.locator(".where").filter(has_text="The cellar")).to_be_visible()
        expect(page.locator(".where").filter(has_text="The attic")).to_be_visible()
        page.locator("#box-attic").get_by_role("link", name="Start a batch").click()
        page.get_by_role("button", name="Start").click()
        said(page, "begins")
        expect(page.locator("#box-attic .where")).to_contain_text("batch attic-")
        expect(page.locator("#box-box").get_by_role("link", name="Start a batch")).to_be_visible()


def test_without_a_script_everything_can_be_done(cook: Cook, new_page: NewPage) -> None:
    page: Page = new_page(360, java_script_enabled=False)
    cook.feed()
    page.goto(f"{cook.url}/start/box")
    page.get_by_label("Name of the batch").fill("plain")
    page.get_by_role("button", name="Start").click()
    expect(page.locator(".told")).to_contain_text("Batch plain begins")
    page.goto(f"{cook.url}/step/box/inoculate")
    page.get_by_role("button", name="Done", exact=True).click()
    expect(page.locator(".told").first).to_contain_text("Done: sprinkle the spores")
    cook.feed(1.0)
    cook.commit()
    page.goto(cook.url)
    shown = page.locator("noscript img, .sheet img")
    assert shown.count() == 1
    page.goto(f"{cook.url}/discard/box")
    page.get_by_label("Why").fill("only a trial")
    page.get_by_role("button", name="Throw it away").click()
    expect(page.locator(".told")).to_contain_text("Thrown away: only a trial")


def test_the_kitchen_timer_before_the_spores(cook: Cook, new_page: NewPage) -> None:
    cook.feed()
    cook.door.act("batch.start", name="first")
    page: Page = new_page(360)
    page.goto(cook.url)
    steam = page.locator(".timer li").filter(has_text="Steam the rice")
    steam.get_by_role("button", name="Begin").click()
    expect(steam.locator(".left")).to_be_visible()
    expect(steam.locator(".left")).to_have_text(re.compile(r"00:2[45]:\d\d|00:25:00"))
    page.get_by_role("button", name="Ring when time is up").click()
    rings = page.get_by_role("button", name="It rings when time is up")
    expect(rings).to_have_attribute("aria-pressed", "true")
    # A look at the daemon that brings nothing new leaves the button where it is, under the finger.
    kept = page.evaluate(
        "async () => { const before = document.querySelector('[data-ring]'); await ask(); return before.isConnected; }"
    )
    assert kept


def hour_12(page: Page) -> Any:
    """Where in the part that is read hour 12 stands, px."""
    return page.evaluate(
        """() => { const d = document.querySelector('svg.k-sheet').dataset;
           const along = (12 - Number(d.from)) * Number(d.perHour);
           return d.lying ? {x: along, y: 90} : {x: 90, y: along}; }"""
    )


@pytest.mark.parametrize(("how", "width"), [("mouse", 360), ("keyboard", 360), ("touch", 360), ("mouse", 1440)])
def test_the_curve_can_be_read(cook: Cook, new_page: NewPage, how: str, width: int) -> None:
    cook.door.act("batch.start", name="first", hour0_ago_s="10")
    cook.hour = 10.0
    cook.feed(3.0)
    cook.commit()
    page: Page = new_page(width, has_touch=how == "touch")
    page.goto(cook.url)
    page.locator(".sheet[data-drawn]").wait_for()
    reader = page.locator(".reader")
    reader.scroll_into_view_if_needed()
    if how == "mouse":
        reader.hover(position=hour_12(page))
    elif how == "touch":
        reader.tap(position=hour_12(page))
    else:
        reader.focus()
        page.keyboard.press("Home")
        for _ in range(48):
            page.keyboard.press("ArrowDown" if width < 640 else "ArrowRight")
    reading = page.locator(".reading")
    said_there = r"Hour 1[12]\.\d, \w{3} \d\d:\d\d: top tray 3\d\.\d °C, .*box air 30\.\d °C.*humidity 85 %"
    expect(reading).to_have_text(re.compile(said_there))
    assert "top tray" in (reader.get_attribute("aria-valuetext") or "")
    there, seen = reading.bounding_box(), page.viewport_size
    assert there and seen and there["x"] >= 0 and there["x"] + there["width"] <= seen["width"]
    assert there["y"] >= 0 and there["y"] + there["height"] <= seen["height"]
    page.get_by_role("button", name="6 h").click()
    expect(page.get_by_role("button", name="6 h")).to_have_attribute("aria-pressed", "true")
    expect(page.locator("svg.k-sheet")).to_have_attribute("data-from", re.compile(r"^[6-9]"))
    page.get_by_role("button", name="Back", exact=True).click()
    expect(page.locator("svg.k-sheet")).to_have_attribute("data-from", re.compile(r"^-?0"))


@pytest.mark.parametrize("width", [360, 1440])
def test_the_curve_is_zoomed_and_its_lines_switched(cook: Cook, new_page: NewPage, width: int) -> None:
    """A drag of the mouse, plus and Escape on the keyboard; a tap on the legend switches a line off and on."""
    cook.door.act("batch.start", name="first", hour0_ago_s="10")
    cook.hour = 10.0
    cook.feed(3.0)
    cook.door.act("batch.harvest", yield_kg="2.4")  # what is over is drawn anew by nobody
    cook.commit()
    page: Page = new_page(width, 900)
    page.goto(cook.url)
    page.locator(".sheet[data-drawn]").wait_for()
    svg, reader = page.locator("svg.k-sheet"), page.locator(".reader")
    whole = svg.get_attribute("data-per-hour") or ""
    reader.scroll_into_view_if_needed()
    box, at = reader.bounding_box(), hour_12(page)
    assert box is not None
    page.mouse.move(box["x"] + at["x"], box["y"] + at["y"])
    page.mouse.down()
    page.mouse.move(box["x"] + at["x"] + (70 if width > 640 else 0), box["y"] + at["y"] + (0 if width > 640 else 70))
    page.mouse.up()
    expect(svg).to_have_attribute("data-from", re.compile(r"^1[12]\.?\d*$"))
    reader.focus()
    page.keyboard.press("Escape")
    expect(svg).to_have_attribute("data-per-hour", whole)
    page.keyboard.press("+")
    expect(svg).not_to_have_attribute("data-per-hour", whole)
    page.get_by_role("button", name="Back", exact=True).click()
    expect(svg).to_have_attribute("data-per-hour", whole)
    expect(page.get_by_role("button", name="Back", exact=True)).to_be_hidden()
    entry = page.get_by_role("button", name="Show humidity")
    entry.click()
    expect(entry).to_have_attribute("aria-pressed", "false")
    expect(page.locator(".k-humidity")).to_have_count(0)
    entry.focus()
    page.keyboard.press("Enter")
    expect(entry).to_have_attribute("aria-pressed", "true")
    expect(page.locator(".k-humidity")).to_have_count(1)


def test_two_fingers_stretch_the_hours(cook: Cook, new_page: NewPage) -> None:
    """From 100 px apart to 200 px: an hour is twice as high, and Back leads back."""
    cook.door.act("batch.start", name="first", hour0_ago_s="10")
    cook.hour = 10.0
    cook.feed(3.0)
    cook.door.act("batch.harvest", yield_kg="2.4")  # what is over is drawn anew by nobody
    cook.commit()
    page: Page = new_page(360, 900, has_touch=True)
    page.goto(cook.url)
    page.locator(".sheet[data-drawn]").wait_for()
    page.locator(".reader").scroll_into_view_if_needed()
    box, svg = page.locator(".reader").bounding_box(), page.locator("svg.k-sheet")
    assert box is not None
    whole = svg.get_attribute("data-per-hour") or ""
    hand, middle = page.context.new_cdp_session(page), box["y"] + 250

    def fingers(kind: str, *places: float) -> None:
        points = [{"x": box["x"] + 100, "y": y, "id": number} for number, y in enumerate(places)]
        hand.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    fingers("touchStart", middle - 50, middle + 50)
    for apart in (60, 80, 100):
        fingers("touchMove", middle - apart, middle + apart)
    fingers("touchEnd")
    expect(page.get_by_role("button", name="Back", exact=True)).to_be_visible()
    assert float(svg.get_attribute("data-per-hour") or 0) == pytest.approx(2 * float(whole), rel=0.1)
    page.get_by_role("button", name="Back", exact=True).click()
    expect(svg).to_have_attribute("data-per-hour", whole)


def noise_png(wide_px: int, high_px: int) -> bytes:
    """A picture nobody can compress, so that it is as large as its pixels (PNG, ISO/IEC 15948)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    rows = b"".join(b"\0" + os.urandom(3 * wide_px) for _ in range(high_px))
    head = struct.pack(">IIBBBBB", wide_px, high_px, 8, 2, 0, 0, 0)
    parts = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows, 0)) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + parts


def test_a_photo_from_the_phone_is_made_smaller_before_it_is_sent(cook: Cook, new_page: NewPage) -> None:
    cook.feed()
    cook.door.act("batch.start", name="first")
    page: Page = new_page(360)
    page.goto(cook.url)
    picture = noise_png(2400, 1200)
    assert len(picture) > LARGEST
    page.get_by_text("Write a note").click()
    page.get_by_label("A photo").set_input_files({"name": "x.png", "mimeType": "image/png", "buffer": picture})
    page.get_by_label("What it shows").fill("the mat")
    page.get_by_role("button", name="Save photo").click()
    said(page, "Photo saved.")
    note = cook.live.client.get("/v1/events", kinds="note")["events"][-1]
    kept = f"{cook.url}/photos/{note['data']['photo']}"
    body = page.request.get(kept).body()
    assert body.startswith(b"\xff\xd8\xff") and len(body) < LARGEST and note["data"]["text"] == "the mat"
    sides = "async url => { const seen = await createImageBitmap(await (await fetch(url)).blob());"
    assert page.evaluate(f"{sides} return [seen.width, seen.height]; }}", kept) == [2000, 1000]


def test_fahrenheit_and_the_viewers_zone(cook: Cook, new_page: NewPage) -> None:
    cook.feed()
    page: Page = new_page(360)
    page.goto(cook.url)
    # The site lives in UTC; the browser in Chicago: the settings' zone counts until the viewer says otherwise.
    expect(page.get_by_label("Time zone")).to_have_value("UTC")
    page.get_by_label("Time zone").fill("America/Chicago")
    page.get_by_label("Unit").select_option("°F")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.locator(".values").first).to_contain_text("°F")


def test_a_phone_is_let_in_by_a_link_good_once(tmp_path: Any, new_page: NewPage) -> None:
    from tests.web.pages import page as serve

    with serve(tmp_path, token=True) as door:
        code = door.live.client.post("/v1/page", {})["code"]
        page: Page = new_page(360, quiet=("net::ERR_",))
        seen: list[str] = []
        page.on("request", lambda request: seen.append(request.url))
        page.goto(f"{door.origin}/enter#{code}")
        expect(page.locator(".sentence")).to_be_visible()
        assert not any(code in url for url in seen if "#" not in url) and code not in page.url
        assert page.evaluate("document.cookie").find("kojimon=") < 0
        other: Page = new_page(360, quiet=("403",))
        other.goto(door.origin)
        assert other.url.endswith("/enter")
        other.get_by_label("Code or token").fill(code)
        other.get_by_role("button", name="Sign in").click()
        expect(other.get_by_role("alert").filter(has_text="neither a valid code")).to_be_visible()


def test_a_reading_by_hand_from_a_phone(cook: Cook, new_page: NewPage) -> None:
    page: Page = new_page(360)
    cook.feed()
    page.goto(cook.url)
    page.locator("summary", has_text="Read by hand").click()
    page.get_by_label("Koji by the kitchen thermometer").fill("31,5")
    page.get_by_role("button", name="Save reading").click()
    said(page, "Read by hand: koji 31.5 °C.")
    expect(page.get_by_text("By hand: koji", exact=True)).to_be_visible()


def test_one_tap_takes_a_harvest_back(cook: Cook, new_page: NewPage) -> None:
    page: Page = new_page(360)
    cook.feed()
    assert cook.door.act("batch.start", name="New Year", hour0_ago_s="20").status == 200
    cook.feed()
    assert cook.door.act("batch.harvest").status == 200
    page.goto(cook.url)
    expect(page.locator(".sentence")).to_contain_text("Batch New Year is cooling: probe at")
    expect(page.get_by_text("Batch New Year was harvested")).to_be_visible()
    page.get_by_role("button", name="Take it back").click()
    said(page, "The harvest of batch New Year is taken back: kojimon goes on watching.")
    expect(page.locator(".where")).to_contain_text("batch New Year")
