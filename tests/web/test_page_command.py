"""`kojimon page`: where the page is, and the code that lets a phone in."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from kojimon.cli import page as command
from kojimon.cli.kitchen import LiveKitchen
from tests.web.pages import Door, page


def run(monkeypatch: pytest.MonkeyPatch, door: Door, *words: str) -> Result:
    monkeypatch.setattr(command, "open_kitchen", lambda config: LiveKitchen(door.live.client))
    return CliRunner().invoke(command.page, words)


def test_without_a_token_the_address_is_enough(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with page(tmp_path) as door:
        result = run(monkeypatch, door)
        assert result.exit_code == 0
        assert result.output.strip() == f"http://kojimon.example:{door.port}/"


def test_with_a_token_a_picture_and_a_link_good_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with page(tmp_path, token=True) as door:
        result = run(monkeypatch, door)
        link = result.output.split()[0]
        assert link.startswith(f"http://kojimon.example:{door.port}/enter#")
        assert "Good once" in result.output
        # Half blocks, or spaces between them, of a square of at least 25 modules (QR version 2).
        assert sum(any(block in line for block in "█▀▄") for line in result.output.splitlines()) > 12
        code = link.partition("#")[2]
        assert door.form("/enter", {"code": code}).status == 303
        again = json.loads(run(monkeypatch, door, "--json").output)
        assert again["code"] not in ("", code)


def test_where_the_page_is_not_open(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from kojimon.settings.spec import WebSettings
    from tests.daemon.running import broker_site, running

    with running(broker_site(tmp_path, web=WebSettings(host=""))) as live:
        monkeypatch.setattr(command, "open_kitchen", lambda config: LiveKitchen(live.client))
        result = CliRunner().invoke(command.page, [])
        assert result.exit_code == 1 and "not open" in str(result.exception)


def test_a_port_that_is_taken_keeps_no_alarm_from_starting(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    import socket

    from kojimon.settings.spec import WebSettings
    from tests.daemon.running import broker_site, running

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        web = WebSettings(port=taken.getsockname()[1])
        with running(broker_site(tmp_path, web=web)) as live:
            assert live.client.get("/v1/state")["incubators"]
    assert "the page cannot listen on 127.0.0.1" in caplog.text
