"""Every command that the README.md files and the helps show is taken as it stands there: parsed whole, and not run."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from kojimon.cli.main import COMMANDS, cli

ROOT = Path(__file__).resolve().parents[2]


def of_the_readme() -> Iterator[list[str]]:
    """Commands in blocks and in the text, without what stands before their name."""
    guides = (ROOT / folder / "README.md" for folder in (".", "config", "deploy", "sim"))
    text = "".join(guide.read_text(encoding="utf-8") for guide in guides)
    blocks = re.findall(r"```sh\n(.*?)```", text, re.DOTALL)
    lines = [line for block in blocks for line in block.splitlines()] + re.findall(r"`(kojimon [^`]+)`", text)
    for line in lines:
        words = shlex.split(line, comments=True)
        names = [place for place, word in enumerate(words) if re.fullmatch(r"(.*/)?kojimon", word)]
        if names and words[0] in ("sudo", words[names[0]]):
            yield up_to_a_pipe(words[names[0] + 1 :])


def up_to_a_pipe(words: list[str]) -> list[str]:
    """What the shell gives the command."""
    return words[: next((place for place, word in enumerate(words) if word in ("|", ">")), None)]


def commands(command: click.Command, name: str) -> Iterator[tuple[str, click.Command]]:
    """A command and all below it."""
    yield name, command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for below in command.list_commands(context):
            found = command.get_command(context, below)
            assert found is not None
            yield from commands(found, f"{name} {below}")


def of_the_helps() -> Iterator[list[str]]:
    """The examples at the end of each help."""
    for _, command in commands(cli, "kojimon"):
        for line in (command.epilog or "").splitlines():
            words = shlex.split(line, comments=True) if "kojimon " in line else []
            if "kojimon" in words:
                yield up_to_a_pipe(words[words.index("kojimon") + 1 :])


README_COMMANDS = sorted(set(map(tuple, of_the_readme())))
HELP_COMMANDS = sorted(set(map(tuple, of_the_helps())))


@pytest.mark.parametrize("words", README_COMMANDS + HELP_COMMANDS, ids=" ".join)
def test_it_is_taken_as_written(words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(click.Context, "invoke", lambda self, *callback, **values: None)
    done = CliRunner().invoke(cli, list(words))
    assert done.exit_code == 0, done.output


def test_the_readme_shows_every_command_that_a_batch_needs() -> None:
    assert len(README_COMMANDS) > 20 and len(HELP_COMMANDS) > 20
    assert {words[0] for words in README_COMMANDS} >= set(COMMANDS) - {"sites"}
