"""Every box of every site on one broker: real daemons publishing, a viewer, what it says when something is away."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from msgspec.structs import replace

from kojimon.cli.commands import sites
from kojimon.cli.main import cli
from kojimon.clock import ManualClock, SystemClock
from kojimon.links.mqtt_io import Incoming
from kojimon.publish import retained_topics
from kojimon.settings.spec import MqttSource, PublishSettings
from tests.daemon.running import Running, running
from tests.daemon.sites import probes_of, site
from tests.parts.broker import Broker, publish
from tests.parts.statedoc import box, document
from tests.parts.wait import until

NOW_MS = 1_769_889_600_000
"""The moment of the state document."""


@contextmanager
def publishing(broker: Broker, folder: Path, name: str) -> Iterator[Running]:
    """A site of its own on the broker, with a batch open."""
    folder.mkdir()
    settings = replace(
        site(folder, (MqttSource("mqtt", "127.0.0.1", broker.port),), probes_of("mqtt", prefix=f"{name}/")),
        site=name, publish=PublishSettings("mqtt"),
    )  # fmt: skip
    with running(settings, ManualClock(SystemClock().wall_ms())) as one:
        one.put(f"{name}/bed", 31.0)
        one.tick(1)
        one.act("batch.start", name=f"of {name}")
        yield one


def kojimon(*words: str) -> Result:
    return CliRunner().invoke(cli, list(words), env={"COLUMNS": "100", "TERM": "dumb"})


def looked(broker: Broker, *words: str) -> Result:
    return kojimon("sites", "--once", "--broker", f"127.0.0.1:{broker.port}", *words)


def test_sites_of_real_daemons_side_by_side(tmp_path: Path) -> None:
    with Broker(tmp_path / "broker") as broker, ExitStack() as stack:
        for name in ("cellar", "attic"):
            stack.enter_context(publishing(broker, tmp_path / name, name))

        def rows() -> Any:
            return json.loads(looked(broker, "--json").output)

        until(lambda: [row["box"]["batch"]["name"] for row in rows() if row["box"]] == ["of attic", "of cellar"])
        text = until(lambda: (seen := looked(broker).output).count("31.0 °C") == 2 and seen, what="both readings")
        lines = [line for line in text.splitlines() if line.startswith(("attic", "cellar"))]
        assert [line.split()[0] for line in lines] == ["attic", "cellar"]
        assert "of attic" in lines[0] and "The rice is at 31.0 °C" in lines[0]
        stack.close()
        ended = looked(broker).output
        assert ended.count("kojimon is not running there.") == 2 and "31.0 °C" in ended


def test_from_the_settings_of_a_site(tmp_path: Path) -> None:
    with Broker(tmp_path / "broker") as broker:
        config = tmp_path / "kojimon.yaml"
        config.write_text(
            "site: cellar\nincubators: {box: {schedule: rice-koji-home-trays}}\n"
            f"sources: {{house: {{kind: mqtt, host: 127.0.0.1, port: {broker.port}}}}}\n"
            "probes: {koji: {place: bed, topic: k/bed}}\n"
        )
        publish(broker, "kojimon/attic/status", "online", retain=True)
        done = kojimon("sites", "--once", "--config", str(config))
        assert done.exit_code == 0 and "attic" in done.output and "Runs; no state yet." in done.output


def test_an_empty_broker_is_said(tmp_path: Path) -> None:
    with Broker(tmp_path / "broker") as broker:
        assert "No kojimon publishes on this broker" in looked(broker).output
        assert looked(broker, "--json").output == "[]\n"


def test_a_broker_that_lets_nobody_in_or_is_not_there(tmp_path: Path) -> None:
    with Broker(tmp_path / "broker", users={"view": "right"}) as broker:
        password = tmp_path / "password"
        password.write_text("wrong\n")
        refused = looked(broker, "--user", "view", "--password-file", str(password))
        assert refused.exit_code == 1 and "refuse" in refused.output, refused.output
        password.write_text("right\n")
        assert looked(broker, "--user", "view", "--password-file", str(password)).exit_code == 0
        port = broker.port
    gone = kojimon("sites", "--once", "--broker", f"127.0.0.1:{port}")
    assert gone.exit_code == 1 and f"127.0.0.1:{port}" in gone.output


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("sites", "--broker", "koji.lan:x"), "a port from 1 to 65535"),
        (("sites", "--broker", "koji.lan:70000"), "a port from 1 to 65535"),
    ],
)
def test_wrong_use(words: tuple[str, ...], text: str) -> None:
    done = kojimon(*words)
    assert done.exit_code == 2 and text in done.output


def retained(online: bool = True, **changes: Any) -> dict[str, bytes]:
    doc = document(box(**changes))
    return {
        "kojimon/home/status": b"online" if online else b"offline",
        "kojimon/home/box/state": retained_topics(doc, "kojimon/home")["kojimon/home/box/state"],
    }


def told(topics: dict[str, bytes], now_ms: int = NOW_MS) -> list[tuple[str, str]]:
    lines = [sites.line_of(row) for row in sites.rows_of(topics, now_ms)]
    return [(cells[-1], tone) for cells, tone in lines]


def test_an_old_state_says_how_old_it_is() -> None:
    """The broker keeps the last state for ever; it must not read as if it were now."""
    fresh, _ = told(retained())[0]
    assert fresh.startswith("The koji is at ")
    assert told(retained(), NOW_MS + 600_000) == [(f"As of 10 min ago: {fresh}", "look")]
    assert told(retained(online=False), NOW_MS + 600_000) == [
        (f"kojimon is not running there. Last 10 min ago: {fresh}", "wrong")
    ]


@pytest.mark.parametrize(
    "payload",
    [b"", b"x", b"[]", b"{}", b'{"incubator": 3}', b'{"incubator": {}}', b"\xff", b'{"incubator": {"name": 1}}'],
)
def test_whatever_a_broker_holds_is_no_crash(payload: bytes) -> None:
    """Hostile or foreign payloads on topics like ours."""
    rows = sites.rows_of({"kojimon/x/box/state": payload, "kojimon/x/status": b"online", **retained()}, NOW_MS)
    assert [row.site for row in rows] == ["home", "x"]
    cells, tone = sites.line_of(rows[1])
    assert tone == "look" and cells[0] == "x" and ("no state yet" in cells[-1] or "cannot be read" in cells[-1])
    assert rows[1].alarms == ()


def test_memory_is_bounded_whatever_comes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sites, "TOPICS_MOST", 3)
    board = sites.Board()
    for number in range(10):
        board.heard(Incoming(f"kojimon/s{number}/status", b"online", True))
    board.heard(Incoming("kojimon/s0/status", b"offline", False))
    assert board.topics()["kojimon/s0/status"] == b"offline" and len(board.topics()) == 3 and board.left_out == 7
    board.heard(Incoming("kojimon/s1/status", b"", True))
    assert "kojimon/s1/status" not in board.topics()
