"""How the page looks and whether everybody can use it: pictures for the eye, axe-core, keyboard, target sizes.

The pictures go to test-artefacts/ and are meant to be looked at.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import ARTEFACTS, WIDTHS
from tests.browser.cook import Cook
from tests.parts.wait import until
from tests.web.pages import page as serve

pytestmark = pytest.mark.slow(2)  # together: they share the kitchen
NewPage = Any
RULES = {
    "runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
}
"""Rules of axe-core for WCAG 2.2 level A and AA, and its own best practice."""
COLOURS = {"runOnly": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}}
"""Those of its rules that look at colours."""
PAGES = {
    "now": "/", "step": "/step/box/mix", "mark": "/mark/box/1", "start": "/start/attic", "harvest": "/harvest/box",
    "discard": "/discard/box", "batches": "/batches", "review": "/batch/{old}", "compare": "/compare?b={old}&b={new}",
    "error": "/step/box/nothing", "enter": "/enter",
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
    for sheet in page.locator("[data-curve] .sheet").all():
        expect(sheet).to_have_attribute("data-drawn", "yes")
    expect(page.locator("html")).to_have_class("painted")


def reports(page: Page, rules: dict[str, Any]) -> str:
    """What axe-core finds on the page as it stands; nothing where all is well."""
    from axe_playwright_python.sync_playwright import Axe

    results = Axe().run(page, options=rules)
    return str(results.generate_report()) if results.violations_count else ""


@pytest.mark.parametrize("name", PAGES)
def test_pictures_and_axe(kitchen: Kitchen, new_page: NewPage, name: str) -> None:
    """At each width nothing is wider than the screen; on the phone axe-core finds nothing, in the dark no colour.

    What else it looks for is the same in both: a scheme changes colours and nothing more.
    """
    page: Page = new_page(WIDTHS[0], 800, bypass_csp=True, quiet=("404",))
    ARTEFACTS.mkdir(exist_ok=True)
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 800})
        page.emulate_media(color_scheme="light")
        opened(kitchen, page, name)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{name} is wider than the screen"
        if width == WIDTHS[0]:
            assert reports(page, RULES) == ""
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            page.screenshot(path=ARTEFACTS / f"{name}-{width}-{scheme}.png", full_page=True)
        if width == WIDTHS[0]:
            assert reports(page, COLOURS) == ""


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


LETTER_PX = """(selector) => {
    const style = getComputedStyle(document.querySelector(selector));
    const pen = document.createElement('canvas').getContext('2d');
    pen.font = `${style.fontWeight} ${10 * parseFloat(style.fontSize)}px ${style.fontFamily}`;
    return pen.measureText('H').actualBoundingBoxAscent / 10;
}"""
PHONE_MM = 0.182
"""A pixel of a phone: 6.3 inches at 20:9 are 65.7 mm across, 360 px (the size from memory, the rest geometry)."""
DESK_MM = 25.4 / 96
"""A pixel of CSS (W3C, CSS Values and Units, absolute lengths)."""
SIXTEEN_ARC_MIN, TWENTY_ARC_MIN = (math.tan(math.radians(minutes / 60)) for minutes in (16, 20))
"""The least, and the least of what is preferred, by ISO 9241-3 (as IBM's page on character size quotes it)."""
NINE_IN_TEN = 0.003
"""Radians at which over nine in ten of 300 printed displays were read (Smith 1979, Human Factors 21, 661-670)."""


@pytest.mark.parametrize(
    ("width", "part", "pixel_mm", "away_mm", "angle"),
    [(360, ".sentence", PHONE_MM, 600, TWENTY_ARC_MIN), (1440, ".sentence", DESK_MM, 700, TWENTY_ARC_MIN),
     (360, ".headline .big dd", PHONE_MM, 2000, SIXTEEN_ARC_MIN), (360, ".step h2", PHONE_MM, 2000, NINE_IN_TEN)],
)  # fmt: skip
def test_letters_are_as_high_as_the_distance_asks(
    kitchen: Kitchen, new_page: NewPage, width: int, part: str, pixel_mm: float, away_mm: float, angle: float
) -> None:
    """The headline at arm's length; the hottest value and the next step at two metres on a phone."""
    page: Page = new_page(width, 900)
    opened(kitchen, page, "now")
    high_px = page.evaluate(LETTER_PX, f"#box-box {part}")
    assert high_px * pixel_mm >= away_mm * angle


@pytest.mark.parametrize("width", WIDTHS)
def test_the_koji_fills_the_screen_and_no_label_is_cut(kitchen: Kitchen, new_page: NewPage, width: int) -> None:
    """As painted: the koji's strip over 60 % of the screen, every word inside the picture, none over another."""
    page: Page = new_page(width, 900)
    opened(kitchen, page, "now")
    share, outside, over = page.locator("#box-box svg.k-sheet").evaluate(
        """(svg) => {
            const frame = svg.getBoundingClientRect();
            const koji = svg.querySelector('.k-koji > svg').getBoundingClientRect();
            const texts = [...svg.querySelectorAll('text')], box = (one) => one.getBoundingClientRect();
            const out = (a) => a.left < frame.left - 1 || a.right > frame.right + 1 || a.top < frame.top - 3
                || a.bottom > frame.bottom + 3;
            const meet = (a, b) => a.left + 1 < b.right && b.left + 1 < a.right && a.top + 4 < b.bottom
                && b.top + 4 < a.bottom;
            const words = texts.filter((one) => one.classList.contains('k-word'));
            const over = words.filter((one) => words.some((two) => two !== one && meet(box(one), box(two))));
            return [koji.width / innerWidth, texts.filter((one) => out(box(one))).map((one) => one.textContent),
                over.map((one) => one.textContent)];
        }"""
    )
    assert share >= 0.6
    assert (outside, over) == ([], [])


SHOWN = "node => node.checkVisibility({visibilityProperty: true})"


def sizes_of(page: Page, css: str) -> list[tuple[str, float, float]]:
    """Text, width and height (px) of what is shown, found and measured at once: a live page changes."""
    found = page.evaluate(
        f"""css => [...document.querySelectorAll(css)].filter({SHOWN}).map(node => {{
              const box = node.getBoundingClientRect();
              return [node.textContent.trim(), box.width, box.height]; }})""",
        css,
    )
    return [(text, width, height) for text, width, height in found]


NAME = (
    "node => node.id || node.getAttribute('href') || node.dataset.hours || node.getAttribute('class')"
    " || node.textContent.trim()"
)


def test_everything_can_be_reached_by_keyboard(kitchen: Kitchen, new_page: NewPage) -> None:
    page: Page = new_page(360)
    opened(kitchen, page, "now")
    parts = "#box-box :is(button, a, summary, .reader)"
    wanted = set(page.evaluate(f"[...document.querySelectorAll('{parts}')].filter({SHOWN}).map({NAME})"))
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
    sizes = sizes_of(page, "button, a.button")
    assert len(sizes) > 8
    assert [name for name, width, height in sizes if min(width, height) < 44] == []


def test_a_thumb_that_misses_save_sends_no_message(kitchen: Kitchen, new_page: NewPage) -> None:
    """On a phone there is more than a button's height between the two."""
    page: Page = new_page(360)
    opened(kitchen, page, "now")
    apart_px = page.evaluate(
        """() => {
            const [save, send] = ['Save', 'Send a test message'].map((name) =>
                [...document.querySelectorAll('.foot button')].find((one) => one.textContent === name));
            return send.getBoundingClientRect().top - save.getBoundingClientRect().bottom;
        }"""
    )
    assert apart_px > 60


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
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 688, "height": 1016})  # A4 within 14 mm: 182 by 269 mm at 96 pixels an inch
    for part in (".r-verdict", ".r-next", ".r-curve svg.k-sheet >> visible=true", ".r-cautions li >> nth=-1"):
        box = page.locator(part).bounding_box()
        assert box is not None and box["y"] + box["height"] <= 1016, f"{part} is not on the first sheet"
