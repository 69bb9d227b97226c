"""How the page looks and whether everybody can use it: pictures for the eye, axe-core, keyboard, target sizes.

The pictures go to test-artefacts/ and are meant to be looked at.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import ARTEFACTS, WIDTHS
from tests.browser.cook import Cook
from tests.parts.wait import until
from tests.web.pages import page as serve

NewPage = Any
RULES = {
    "runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
}
"""Rules of axe-core for WCAG 2.2 level A and AA, and its own best practice."""
PAGES = {
    "now": "/", "step": "/step/box/mix", "mark": "/mark/box/1", "start": "/start/attic", "harvest": "/harvest/box",
    "discard": "/discard/box", "batches": "/batches", "review": "/batch/{old}", "compare": "/compare?b={old}&b={new}",
    "error": "/step/box/nothing",
}  # fmt: skip


class Kitchen(Cook):
    """Two boxes: in one a batch that has grown too hot, after an earlier one; in the other one before its spores."""

    old = new = ""


@pytest.fixture(scope="module")
def kitchen(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kitchen]:
    from kojimon.schedule.load import load_schedule
    from kojimon.settings.spec import Incubator
    from tests.daemon.sites import HOME_TRAYS

    schedule = load_schedule(HOME_TRAYS)
    boxes = (
        Incubator("box", schedule, "The cool box", trays=("top", "middle", "bottom", "fourth")),
        Incubator("attic", schedule, "The attic"),
    )
    with serve(tmp_path_factory.mktemp("kitchen"), incubators=boxes) as door:
        one = Kitchen(door)
        for name, hours in (("Autumn", 44.0), ("New Year", 31.6)):
            batch(one, name, hours)
        door.form("/act", {"kind": "batch.start", "incubator": "attic", "name": "Next", "idempotency": "a"})
        door.form("/act", {"kind": "step.done", "incubator": "attic", "step": "steam", "idempotency": "b"})
        one.offset_k = 4.2
        one.feed(0.4)
        one.commit()
        one.old, one.new = (row["id"] for row in one.live.client.get("/v1/batches", incubator="box")["batches"])
        yield one


def batch(one: Kitchen, name: str, hours: float) -> None:
    """A batch of so many hours; it ends where that is more than 40."""
    one.hour, one.offset_k = -0.2, 0.0
    one.door.act("batch.start", name=name, rice_kg="2")
    one.feed(0.2)
    one.door.act("step.done", step="inoculate", value_c="31")
    one.feed(20.0)
    one.door.act("step.done", step="first-check")
    one.door.act("batch.note", text="white specks, sweet smell")
    one.feed(hours - 20.0)
    if hours > 40:
        one.door.act("batch.harvest", yield_kg="2.4")
        last = one.live.client.get("/v1/batches")["batches"][-1]["id"]
        one.door.act("batch.verdict", batch=last, look="white", look_score="4", smell_score="5")


def opened(kitchen: Kitchen, page: Page, name: str) -> None:
    path = PAGES[name].format(old=kitchen.old, new=kitchen.new)
    page.goto(kitchen.url + path)
    if page.locator("[data-curve]").count():
        page.locator(".sheet[data-drawn]").first.wait_for()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", WIDTHS)
def test_pictures(kitchen: Kitchen, new_page: NewPage, width: int, scheme: str) -> None:
    page: Page = new_page(width, 800, color_scheme=scheme, quiet=("404",))
    ARTEFACTS.mkdir(exist_ok=True)
    for name in PAGES:
        opened(kitchen, page, name)
        page.screenshot(path=ARTEFACTS / f"{name}-{width}-{scheme}.png", full_page=True)
        if name == "now":
            page.screenshot(path=ARTEFACTS / f"first-{width}-{scheme}.png")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{name} is wider than the screen"


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", [*PAGES, "enter"])
def test_axe_finds_nothing(kitchen: Kitchen, new_page: NewPage, name: str, scheme: str) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page: Page = new_page(360, color_scheme=scheme, bypass_csp=True, quiet=("404",))
    if name == "enter":
        page.goto(f"{kitchen.url}/enter")
    else:
        opened(kitchen, page, name)
    results = Axe().run(page, options=RULES)
    assert results.violations_count == 0, results.generate_report()


def test_the_first_screen_says_what_matters(kitchen: Kitchen, new_page: NewPage) -> None:
    """On a phone without scrolling: the state, the hottest and coldest tray, the next step, a button."""
    page: Page = new_page(360, 760)
    opened(kitchen, page, "now")
    box = page.locator("#box-box")
    for part in (box.locator(".sentence"), box.locator(".values .big").first, box.locator(".window").first,
                 box.get_by_role("button", name="Acknowledge").first):  # fmt: skip
        # Without a box while the live page puts a newer part in its place.
        rect = until(part.bounding_box)
        assert rect is not None and rect["y"] + rect["height"] <= 760, part
    size = box.locator(".sentence").evaluate("node => parseFloat(getComputedStyle(node).fontSize)")
    assert size >= 24


NAME = "node => node.id || node.getAttribute('href') || node.dataset.hours || node.className || node.textContent.trim()"


def test_everything_can_be_reached_by_keyboard(kitchen: Kitchen, new_page: NewPage) -> None:
    page: Page = new_page(360)
    opened(kitchen, page, "now")
    parts = page.locator("#box-box button:visible, #box-box a:visible, #box-box .sheet")
    wanted = set(parts.evaluate_all(f"nodes => nodes.map({NAME})"))
    assert len(wanted) > 10
    reached: set[str] = set()
    for _ in range(120):
        page.keyboard.press("Tab")
        name, visible, outside = page.evaluate(
            f"(() => {{ const node = document.activeElement; return [({NAME})(node), node.matches(':focus-visible'),"
            " node === document.body]; })()"
        )
        assert visible or outside, name
        reached.add(name)
        if wanted <= reached:
            break
    assert wanted <= reached


def test_targets_are_large_enough_for_a_thumb(kitchen: Kitchen, new_page: NewPage) -> None:
    """Buttons are 44 px or more each way; WCAG 2.2 (2.5.8) asks for 24."""
    page: Page = new_page(360)
    opened(kitchen, page, "now")
    sizes = page.locator("button:visible, a.button:visible").evaluate_all(
        "nodes => nodes.map(node => { const box = node.getBoundingClientRect();"
        " return [node.textContent.trim(), Math.min(box.width, box.height)]; })"
    )
    assert len(sizes) > 8
    assert [name for name, least in sizes if least < 44] == []


def test_large_text_and_reflow(kitchen: Kitchen, new_page: NewPage) -> None:
    """At 320 px, as at a zoom of 400 %, nothing needs to be scrolled sideways (WCAG 2.2, 1.4.10)."""
    page: Page = new_page(320, 600)
    for name in ("now", "step", "review"):
        opened(kitchen, page, name)
        assert page.evaluate("document.documentElement.scrollWidth") <= 320, name


def test_the_review_file_opens_from_disk_and_prints(kitchen: Kitchen, new_page: NewPage, tmp_path: Path) -> None:
    page: Page = new_page(360)
    got = page.request.get(f"{kitchen.url}/batch/{kitchen.old}/review.html")
    file = tmp_path / "review.html"
    file.write_bytes(got.body())
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(file.as_uri())
    expect(page.locator("h1")).to_have_text("Batch Autumn")
    assert [url for url in asked if not url.startswith("file:")] == []
    ARTEFACTS.mkdir(exist_ok=True)
    paper = page.pdf(path=ARTEFACTS / "review.pdf", format="A4", print_background=False)
    assert paper.startswith(b"%PDF")
    page.screenshot(path=ARTEFACTS / "review-file-360.png", full_page=True)
