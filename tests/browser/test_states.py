"""What the page shows as a batch goes by: one card for one act, no button of two lines, nothing wider than a phone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import ARTEFACTS, WIDTHS
from tests.browser.cook import Cook
from tests.browser.twelve import kitchen, states

NewPage = Any
README = {("6-alarm", 360), ("12-review", 768)}
"""Its pictures (deploy/pictures.sh)."""
LINES = """() => [...document.querySelectorAll('button, a.button')].filter(node => node.offsetParent).filter(node => {
  const range = document.createRange();
  range.selectNodeContents(node);
  return new Set([...range.getClientRects()].map(box => Math.round(box.top))).size > 1;
}).map(node => node.textContent.trim())"""


CLIPPED = """() => [...document.querySelectorAll('button, a.button, svg.k-sheet text')].filter(node => {
  if (!node.getClientRects().length) return false;
  const range = document.createRange(), around = (node.ownerSVGElement || node).getBoundingClientRect();
  range.selectNodeContents(node);
  const text = range.getBoundingClientRect();
  return text.left < around.left - 1 || text.right > around.right + 1 || text.bottom > around.bottom + 1;
}).map(node => node.textContent.trim())"""


CLOSE = """() => [...document.querySelectorAll('.card')]
  .filter(node => parseFloat(getComputedStyle(node).marginBottom) < 9).map(node => node.className)"""
TALL = "node => node.getBoundingClientRect().height / parseFloat(getComputedStyle(node).lineHeight)"


def fits(page: Page, width: int = 360) -> None:
    """No button has two lines, nothing is wider than the screen, no words reach over the edge of button or curve, no
    card clings to the next."""
    assert page.evaluate(CLOSE) == []
    assert page.evaluate(LINES) == []
    assert page.evaluate(CLIPPED) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.slow(12)  # twelve states, each at three widths
def test_nothing_is_cut_off_in_any_state(tmp_path: Path, new_page: NewPage) -> None:
    page: Page = new_page(360)
    ARTEFACTS.mkdir(exist_ok=True)
    with kitchen(tmp_path) as one:
        for name, path in states(one):
            for width in WIDTHS:
                page.set_viewport_size({"width": width, "height": 800})
                page.goto(one.url + path)
                for sheet in page.locator("[data-curve] .sheet").all():
                    expect(sheet).to_have_attribute("data-drawn", "yes")
                fits(page, width)
                if (name, width) in README:
                    page.screenshot(path=ARTEFACTS / f"{name}.png")
            if name == "6-alarm":
                expect(page.locator(".step h2")).to_contain_text("mix and spread thinner")
            if name == "11-cooling":
                page.set_viewport_size({"width": 360, "height": 800})
                assert page.locator(".sentence").evaluate(TALL) < 4.5, "a headline is read at a glance"
            if name == "8-no-reading":
                page.get_by_role("link", name="Enter a reading by hand").click()
                expect(page.get_by_label("Koji by the kitchen thermometer")).to_be_in_viewport()
            if name == "9-by-hand":
                form, curve = (page.locator(one).bounding_box() for one in (".left form.form", "svg.k-sheet"))
                assert form and curve and form["x"] < curve["x"], "what is read by hand is entered beside the curve"


@pytest.mark.slow(15)
def test_from_the_empty_box_to_after_the_harvest(cook: Cook, new_page: NewPage) -> None:
    page: Page = new_page(360, quiet=("409",))
    cook.hour = -2.0
    cook.feed(1.0)
    cook.commit()
    page.goto(cook.url)
    box = page.locator("#box-box")
    expect(box.get_by_role("heading", name="The last hours")).to_be_visible()
    expect(box.locator("svg.k-sheet .k-track").first).to_be_visible()
    fits(page)

    cook.door.act("batch.start", name="first", hour0_ago_s="30")
    cook.hour = 30.0
    cook.feed(0.4)
    cook.offset_k = 6.0
    cook.feed(0.4)
    cook.commit()
    page.goto(cook.url)
    step = box.locator(".card.step")
    expect(step).to_have_class("card step late alarm wrong" if "late" in str(step.get_attribute("class")) else
                               "card step alarm wrong")  # fmt: skip
    buttons = step.locator(".buttons").first.get_by_role("button")
    expect(buttons).to_have_text(["Acknowledge", "Done now"])
    expect(buttons.first).to_have_class("main")
    assert box.locator(".card.wrong").count() == 1, "the alarm and the step it asks for are one card"
    fits(page)

    cook.offset_k = 0.0
    cook.feed(0.3)
    for _ in range(20):
        cook.live.tick(60.0)
    cook.commit()
    page.goto(cook.url)
    expect(box.locator(".headline")).to_contain_text("last 4")
    expect(box.locator(".many > summary")).to_contain_text("more alarms")
    fits(page)

    cook.feed(0.2)
    cook.door.act("batch.harvest", yield_kg="2.4")
    cook.feed(0.2)
    cook.commit()
    page.goto(cook.url)
    expect(box.locator(".undo")).to_contain_text("was harvested 12 min ago.")
    fits(page)
    box.get_by_role("link", name="Review").click()
    expect(page.locator("h1").filter(has_text="Batch first")).to_be_visible()
    page.goto(cook.url)
    box.get_by_role("button", name="Take it back").click()
    expect(box.locator(".where")).to_contain_text("batch first")
