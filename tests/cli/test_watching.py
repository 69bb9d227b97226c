"""From nothing to the first reading on the page, in a terminal, as a newcomer has it: set-up ends watching."""

from __future__ import annotations

import os
import re
import sys
import threading
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

import pytest

from kojimon.clock import real_s
from tests.bench.figures import record
from tests.cli.conftest import Kitchen
from tests.cli.test_listening import talking
from tests.parts.broker import Broker, publish
from tests.parts.terminal import Terminal
from tests.parts.wait import until

PERSON = (
    "Do you weigh", "How many trays", "How much dry rice", "Which?", "Which box?", "Which cover?",
    "time zone", "When do you sleep",
)  # fmt: skip


@contextmanager
def by_mqtt(kitchen: Kitchen) -> Iterator[list[tuple[str, str]]]:
    with Broker(kitchen.folder / "broker") as broker:
        stop = threading.Event()

        def talk() -> None:
            while not stop.wait(0.5):
                publish(broker, "cellar/koji/temperature", "31.2")

        talker = threading.Thread(target=talk)
        talker.start()
        try:
            yield [
                ("Which source?", "mqtt"), ("Name or address", ""), ("Its port", str(broker.port)), ("User at", ""),
                ("Which number sits in the koji", ""), ("anywhere else", ""),
            ]  # fmt: skip
        finally:
            stop.set()
            talker.join()


@contextmanager
def by_serial(kitchen: Kitchen) -> Iterator[list[tuple[str, str]]]:
    with talking(kitchen.folder, b"koji_t=31.2") as port:
        yield [
            ("Which source?", "serial"), ("Which port", str(port)), ("Which number sits in the koji", ""),
            ("anywhere else", ""),
        ]  # fmt: skip


@contextmanager
def by_hand(kitchen: Kitchen) -> Iterator[list[tuple[str, str]]]:
    yield [("Which source?", "hand")]


PERSON_S = 10.0
"""What a person takes to read a question and to answer it (judgement)."""
Way = Callable[[Kitchen], AbstractContextManager[list[tuple[str, str]]]]
WAYS: dict[str, Way] = {"mqtt": by_mqtt, "serial": by_serial, "hand": by_hand}


def first_reading(kitchen: Kitchen, way: str) -> tuple[float, int]:
    """Seconds of the machine's until the first reading is on the page, and how many questions were asked."""
    began_s = real_s()
    command = [
        sys.executable, "-m", "kojimon", "setup", "-o", "new.yaml", "--journal", "new.journal", "--no-look",
        "--no-speaker", "--temperature", "C",
    ]  # fmt: skip
    environment = {**os.environ, "COLUMNS": "100", "LINES": "50", "TERM": "xterm"}
    with WAYS[way](kitchen) as answers, Terminal(command, environment, kitchen.folder) as terminal:
        asked = [*((text, "") for text in PERSON), *answers, ("Show the page", ""), ("Address for alarms", "")]
        for question, answer in asked:
            terminal.answer(question, answer)
        terminal.wait_for("To stop: Ctrl-C")
        terminal.wait_for("http://127.0.0.1:")
        terminal.wait_for("/")
        found = re.search(r"http://127\.0\.0\.1:\d+/", terminal.said)
        assert found is not None

        def shown() -> str:
            with urllib.request.urlopen(found[0], timeout=30) as answer:
                return str(answer.read().decode())

        if way == "hand":
            assert "31.2" not in shown()
            done = kitchen.child("--config", "new.yaml", "reading", "31.2 C", "--tray", "tray")
            assert done.returncode == 0, done.stderr
        until(lambda: "31.2" in shown(), what="the first reading on the page")
        took_s = real_s() - began_s
        assert terminal.stop() == 0
    return took_s, len(asked)


@pytest.mark.slow(60)
@pytest.mark.timeout(300)
def test_set_up_ends_watching_with_the_page_on_the_screen(kitchen: Kitchen) -> None:
    """One way after the other: the settings that it writes all have the page at its usual port."""
    for way in WAYS:
        assert first_reading(kitchen, way)[1] <= 20
        (kitchen.folder / "new.yaml").unlink()


@pytest.mark.bench
def test_minutes_from_nothing_to_the_first_reading(kitchen: Kitchen) -> None:
    said = []
    for way in WAYS:
        machine_s, asked = first_reading(kitchen, way)
        said.append(f"{way} {(machine_s + asked * PERSON_S) / 60:.1f} min")
        (kitchen.folder / "new.yaml").unlink()
    record("minutes from nothing to the first reading on the page", ", ".join(said), "10 s of a person's a question")
