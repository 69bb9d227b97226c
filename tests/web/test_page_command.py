"""`kojimon page`: where the page is, and the code that lets a phone in."""

from __future__ import annotations

import errno
import json
import socket
import urllib.request
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from kojimon.cli.commands import page as command
from kojimon.cli.shared.kitchen import LiveKitchen
from kojimon.settings.spec import Secret, WebSettings
from kojimon.web.http import tcp_door as page_door
from tests.daemon.running import Running, broker_site, running
from tests.parts import qr
from tests.parts.wait import until
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
        assert "It works once" in result.output
        assert qr.read(result.output) == link
        code = link.partition("#")[2]
        assert door.form("/enter", {"code": code}).status == 303
        again = json.loads(run(monkeypatch, door, "--json").output)
        assert again["code"] not in ("", code)


def test_where_the_token_is_missing_nobody_is_promised_a_way_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gone = tmp_path / "page-token"
    with running(broker_site(tmp_path, web=WebSettings(port=0, token=Secret(file=str(gone))))) as live:
        door = Door(live)
        result = run(monkeypatch, door)
        assert result.exit_code == 1 and "/enter#" not in result.output
        said = str(result.exception)
        assert str(gone) in said and "web.token" in said and "start kojimon again" in said
        assert json.loads(run(monkeypatch, door, "--json").output)["code"] == ""
        turned = door.form("/enter", {"code": "anything"})
        assert turned.status == 503 and "token cannot be used" in turned.text and str(gone) not in turned.text
        assert door.get("/v1/state").status == 401


def test_where_the_page_is_not_open(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with running(broker_site(tmp_path, web=WebSettings(host=""))) as live:
        monkeypatch.setattr(command, "open_kitchen", lambda config: LiveKitchen(live.client))
        result = CliRunner().invoke(command.page, [])
        assert result.exit_code == 1 and "not open" in str(result.exception)


def page_alarm(live: Running) -> dict[str, Any] | None:
    live.tick(1)
    found = (one for one in live.client.get("/v1/alarms")["alarms"] if one["key"] == "health/page")
    return next(found, None)


def test_a_port_that_is_taken_is_an_alarm_until_it_is_free(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(page_door, "RETRY_S", 0.05)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with running(broker_site(tmp_path, web=WebSettings(port=port))) as live:
            alarm = page_alarm(live)
            assert alarm is not None and alarm["state"] == "UNACK" and alarm["priority"] == "tell"
            live.commit()
            text = live.client.get("/v1/events?kinds=alarm")["events"][-1]["data"]["text"]
            assert f"port {port}" in text and "web.port" in text and f"sport = :{port}" in text
            monkeypatch.setattr(command, "open_kitchen", lambda config: LiveKitchen(live.client))
            refused = CliRunner().invoke(command.page, [])
            assert refused.exit_code == 1 and "another program has this port" in str(refused.exception)
            taken.close()
            until(lambda: (page_alarm(live) or {}).get("state") == "RTNUN")
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/v1/state", timeout=60) as answer:
                assert answer.status == 200
            assert CliRunner().invoke(command.page, []).output.strip() == f"http://127.0.0.1:{port}/"
    assert caplog.text.count("the page cannot listen on 127.0.0.1") == 1


def test_each_thing_that_keeps_the_page_shut_has_a_way_out() -> None:
    for number, way in ((errno.EADDRINUSE, "web.port"), (errno.EACCES, "1024"), (errno.EADDRNOTAVAIL, "web.host")):
        assert way in page_door.said(WebSettings(), OSError(number, "no"))
    assert "no such thing" in page_door.said(WebSettings(), OSError(errno.EIO, "no such thing"))
