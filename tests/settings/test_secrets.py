"""Secrets come from a file or the environment and never show up in a message."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from kojimon.cli.commands.check import check
from kojimon.errors import UsageError
from kojimon.settings import plain
from kojimon.settings.secrets import read_secret, secret_warnings, token_fault
from kojimon.settings.spec import Secret
from tests.settings.files import GOOD, load


def test_from_a_file_without_its_line_end(tmp_path: Path) -> None:
    path = tmp_path / "s"
    path.write_bytes("pass word ✓\r\n".encode())
    assert read_secret(Secret(file=str(path))) == "pass word ✓"


def test_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("KOJI_SECRET", "hunter2")
    assert read_secret(Secret(environment="KOJI_SECRET")) == "hunter2"


NOT_ONE_LINE = "The secret's file FILE holds no single line of text. Write the secret on its first line."


@pytest.mark.parametrize(
    ("content", "seen"),
    [
        (None, "The secret's file FILE cannot be read: No such file or directory."),
        (b"", NOT_ONE_LINE),
        (
            b"hunter2\nhunter3\n",
            "The secret's file FILE holds no single line of text. Write the secret on its first line.",
        ),
        (b"hunter2" * 1000, NOT_ONE_LINE),
        (b"hunter2\xff", "The secret's file FILE holds no UTF-8 text. Write the secret on its first line."),
        (b"\x00hunter2", NOT_ONE_LINE),
    ],
    ids=["no file", "empty", "two lines", "too long", "no UTF-8", "control character"],
)
def test_what_a_person_sees(tmp_path: Path, content: bytes | None, seen: str) -> None:
    path = tmp_path / "s"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(UsageError) as caught:
        read_secret(Secret(file=str(path)))
    assert str(caught.value) == seen.replace("FILE", str(path))
    assert caught.value.__cause__ is None
    assert "hunter" not in str(caught.value)


def test_a_variable_that_is_not_set(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("KOJI_SECRET", raising=False)
    with pytest.raises(
        UsageError, match=r"^The environment variable KOJI_SECRET is not set\. Set it, or name another\.$"
    ):
        read_secret(Secret(environment="KOJI_SECRET"))


def test_a_file_that_everybody_can_read_is_warned_of(tmp_path: Path) -> None:
    settings = load(tmp_path, GOOD + "web: {token: {file: page-token}}\n")
    password, token = tmp_path / "mqtt-password", tmp_path / "page-token"
    assert secret_warnings(settings) == [
        f"sources.house.password: the secret's file {password} cannot be read: No such file or directory.",
        f"web.token: the secret's file {token} cannot be read: No such file or directory.",
    ]
    for path in (password, token):
        path.write_text("hunter2\n")
    password.chmod(0o604)
    token.chmod(0o640)
    assert secret_warnings(settings) == [
        f"sources.house.password: everybody on this computer can read {password}. Run `chmod 600 {password}`."
    ]
    said = CliRunner().invoke(check, ["--config", str(tmp_path / "k.yaml")]).output
    assert f"everybody on this computer can read {password}" in " ".join(said.split())
    password.chmod(0o600)
    assert secret_warnings(settings) == []


def test_the_stored_settings_hold_no_secret(tmp_path: Path) -> None:
    (tmp_path / "mqtt-password").write_text("hunter2\n")
    settings = load(tmp_path, GOOD)
    assert secret_warnings(settings)
    assert b"hunter2" not in plain.to_json(settings)
    assert "hunter2" not in repr(settings)


@pytest.mark.parametrize(("token", "good"), [("abcdefghijkl", True), ("abcdefghijk", False), ("aaaaaaaaabcd", False)])
def test_a_token_is_long_and_of_many_letters(token: str, good: bool) -> None:
    assert (token_fault(token) == "") is good
