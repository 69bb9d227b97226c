"""A real browser (Chromium, headless) and a daemon whose clock the test drives."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from kojimon.web.page import live
from tests.browser.cook import Cook
from tests.parts.need import need
from tests.web.pages import page

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

ARTEFACTS = Path(__file__).resolve().parents[2] / "test-artefacts"
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
WIDTHS = (360, 768, 1440)
ZONE = "America/Chicago"


def chromium() -> str:
    """Path of the browser: `CHROMIUM`, or Debian's package."""
    return need("chromium", os.environ.get("CHROMIUM", ""))


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    from playwright.sync_api import expect, sync_playwright

    expect.set_options(timeout=60_000)
    with sync_playwright() as started:
        found = started.chromium.launch(executable_path=chromium(), args=FLAGS)
        yield found
        found.close()


@pytest.fixture
def cook(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Cook]:
    """A daemon with no batch yet, and hands for its clock and probes. Its pages hear of a change five times sooner."""
    monkeypatch.setattr(live, "EVERY_S", 0.2)
    monkeypatch.setattr(live, "LOOK_S", 0.05)
    with page(tmp_path) as door:
        yield Cook(door)


NewPage = Callable[..., "Page"]


@pytest.fixture
def new_page(browser: Browser) -> Iterator[NewPage]:
    """Makes pages; at the end none of them may have written an error to its console."""
    contexts: list[BrowserContext] = []
    said: list[str] = []

    def make(width: int = 360, height: int = 760, **more: Any) -> Page:
        quiet = more.pop("quiet", ())
        context = browser.new_context(
            viewport={"width": width, "height": height}, timezone_id=ZONE, **{"color_scheme": "light", **more}
        )
        contexts.append(context)
        made = context.new_page()
        made.set_default_timeout(60_000)

        def console(message: Any) -> None:
            if message.type in ("error", "warning") and not any(text in message.text for text in quiet):
                said.append(message.text)

        made.on("console", console)
        made.on("pageerror", lambda error: said.append(str(error)))
        return made

    yield make
    for context in contexts:
        context.close()
    assert said == []
