"""Asks question by question: `<` goes back one, and what was answered is kept for a run that breaks off.

Going back and going on are one thing: the questions run anew from the first, and what was answered before is given
again unasked. So whoever asks must ask the same again for the same answers, and do what takes long only once.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final, TypeVar

import click

from kojimon.cli.shared import screen
from kojimon.errors import UsageError

T = TypeVar("T")
BACK: Final = "<"
_CHOSEN: Final = "="
"""Before the key of a choice, where it is kept: a list may be in another order next time."""


class Back(Exception):
    """The person wants the question before this one again."""


class Asker:
    """Asks, or with `yes` takes every default without asking.

    Args:
        yes: see above.
        keep: called with (question, answer) of everything answered so far, after each answer.
    """

    def __init__(self, yes: bool, keep: Callable[[Sequence[tuple[str, str]]], None] = lambda _: None) -> None:
        self.yes = yes
        self._keep = keep
        self._again: list[tuple[str, str]] = []
        self._said: list[tuple[str, str]] = []
        self._secret: set[str] = set()
        self._within, self._mark = False, 0

    def interview(self, work: Callable[[], T], given: Sequence[tuple[str, str]] = ()) -> T:
        """Runs questions until they are answered.

        Args:
            work: asks them, and is run anew when the person goes back.
            given: answers to begin with, of a run that broke off.
        """
        self._said, self._within = list(given), True
        try:
            while True:
                self._again, self._said, self._mark = self._said, [], 0
                try:
                    return work()
                except Back:
                    self._said = self._said[:-1]
                except UsageError as error:
                    if self.yes or len(self._said) <= self._mark:
                        raise
                    screen.say(str(error), "wrong")
                    screen.say("The answers before that are kept.", "look")
                    self._said = self._said[: self._mark]
        finally:
            self._within = False

    def mark(self) -> None:
        """Whatever will not do from here on is asked anew from here."""
        self._mark = len(self._said)

    def say(self, text: str, tone: str = "plain", indent: int = 0) -> None:
        """What goes before a question; nothing where it is not asked."""
        if self.asks:
            screen.say(text, tone, indent=indent)

    @property
    def asks(self) -> bool:
        """Whether the next question is put to a person."""
        return not self.yes and not self._again

    def ask(
        self, question: str, default: str, read: Callable[[str], T], given: str | None = None, option: str = "",
        words: Mapping[str, Callable[[], None]] | None = None, noted: Callable[[T], str] | None = None,
        private: bool = False,
    ) -> T:  # fmt: skip
        """One answer.

        Args:
            question: as printed.
            default: what Enter means.
            read: turns a text into the answer; raises ValueError in words.
            given: the answer of an option; a wrong one is wrong usage.
            option: its name, for that error.
            words: what may be typed instead to have something done, after which the question stands again.
            noted: an answer as it is kept; without it as it was typed.
            private: it is not kept for another run.
        """
        if given is not None or self.yes:
            text = default if given is None else given
            try:
                return read(text)
            except ValueError as error:
                raise UsageError(f"{option} {text}: {error}.") from error
        if private:
            self._secret.add(question)
        known = self._known(question)
        if known is not None:
            with suppress(ValueError):
                return self._noted(question, known, read(known))
            self._again.clear()
        while True:
            text = str(click.prompt(question, default=default, show_default=bool(default))).strip() or default
            if text.lower() in (words or {}):
                (words or {})[text.lower()]()
                continue
            self._back(text)
            try:
                value = read(text)
            except ValueError as error:
                screen.say(f"{text!r} will not do: {error}.", "look")
                continue
            return self._noted(question, noted(value) if noted else text, value)

    def secret(self, question: str) -> str:
        """A word that nobody sees and that is not kept for another run."""
        self._secret.add(question)
        known = self._known(question)
        if known is not None:
            return self._noted(question, known, known)
        text = str(click.prompt(question, hide_input=sys.stdin.isatty(), default="", show_default=False))
        self._back(text)
        return self._noted(question, text, text)

    def choose(
        self, question: str, choices: Sequence[str], default: int = 1, keys: Sequence[str] = (),
        given: str | None = None, option: str = "",
    ) -> int:  # fmt: skip
        """One of a numbered list; its number from 1.

        Args:
            keys: a word for each, by which it is kept, and may be typed.
        """
        if given is None:
            for number, text in enumerate(choices, 1):
                self.say(f"{number}  {text}", indent=2)
        known = [*(keys or choices)]

        def read(text: str) -> int:
            if text.removeprefix(_CHOSEN) in known:
                return known.index(text.removeprefix(_CHOSEN)) + 1
            if not text.isdigit() or not 1 <= int(text) <= len(choices):
                words = f", or one of {', '.join(keys)}," if keys else ""
                raise ValueError(f"a number from 1 to {len(choices)}{words} is expected")
            return int(text)

        return self.ask(question, str(default), read, given, option, noted=lambda one: _CHOSEN + known[one - 1])

    def sure(self, question: str, default: bool) -> bool:
        """Yes or no."""

        def read(text: str) -> bool:
            word = text.lower()
            if word not in ("y", "yes", "n", "no"):
                raise ValueError("yes or no is expected")
            return word.startswith("y")

        return self.ask(question, "yes" if default else "no", read)

    def _known(self, question: str) -> str | None:
        if self._again and self._again[0][0] == question:
            return self._again.pop(0)[1]
        if question not in self._secret:  # one that another run did not keep: what comes after it still counts
            self._again.clear()
        return None

    def _noted(self, question: str, text: str, value: T) -> T:
        self._said.append((question, text))
        self._keep([one for one in (*self._said, *self._again) if one[0] not in self._secret])
        return value

    def _back(self, text: str) -> None:
        if self._within and text == BACK:
            raise Back


class Draft:
    """The answers of a run that broke off, beside the settings they were for.

    Args:
        target: the settings file.
    """

    def __init__(self, target: Path) -> None:
        self._path = target.with_name(f".{target.name}.answers")

    def read(self) -> list[tuple[str, str]]:
        """What was answered; nothing where there is none, or none that can be read."""
        try:
            found = json.loads(self._path.read_text(encoding="utf-8"))
            return [(str(question), str(answer)) for question, answer in found]
        except (OSError, ValueError, TypeError):
            return []

    def keep(self, answers: Sequence[tuple[str, str]]) -> None:
        """Keeps them, readable by the person alone. One that cannot be kept is no reason not to go on asking."""
        with suppress(OSError):
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._path.touch(0o600)
            self._path.write_text(json.dumps(list(answers)), encoding="utf-8")

    def drop(self) -> None:
        """They are in the settings now, or not wanted."""
        self._path.unlink(missing_ok=True)
