"""A command in a terminal of its own, as a person has it: what it prints is waited for, answers are typed."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType

from tests.parts.wait import until


class Terminal:
    """One command on a pseudo-terminal.

    Args:
        command: the command; environment: its whole environment.
        folder: where it runs.
    """

    def __init__(self, command: Sequence[str], environment: Mapping[str, str], folder: Path) -> None:
        self._master, slave = os.openpty()
        self.process = subprocess.Popen(
            command, stdin=slave, stdout=slave, stderr=slave, env=environment, cwd=folder, start_new_session=True
        )
        os.close(slave)
        self._said, self._read = "", 0
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        while True:
            try:
                read = os.read(self._master, 65_536)
            except OSError:  # the other end is closed
                return
            self._said += re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", read.decode("utf-8", "replace"))

    @property
    def said(self) -> str:
        """Everything printed so far, without colours, blanks evened out."""
        return " ".join(self._said.split())

    def wait_for(self, text: str) -> None:
        """Waits until a text comes after what was waited for before."""

        def there() -> bool:
            at = self._said.find(text, self._read)
            if at >= 0:
                self._read = at + len(text)
            assert at >= 0 or self.process.poll() is None, f"it ended without {text!r}: {self._said[-2000:]}"
            return at >= 0

        until(there, what=text)

    def answer(self, question: str, answer: str = "") -> None:
        """Waits for a question and types an answer."""
        self.wait_for(question)
        os.write(self._master, f"{answer}\n".encode())

    def stop(self) -> int:
        """Ctrl-C. The exit code."""
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(60)

    def __enter__(self) -> Terminal:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(60)
        self._thread.join(60)
        os.close(self._master)
