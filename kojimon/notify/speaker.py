"""Plays the waking tone through a program of the system. Used in the sound lane's child process."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path
from typing import Final

from kojimon.notify.tone import sound

CARDS: Final = Path("/proc/asound/cards")
PLAYERS: Final = ("aplay", "paplay")
PROOF_S: Final = 0.7
"""A player that has not failed after so long has begun to play."""
END_S: Final = 1.0


def find_player(player: str = "", cards: Path = CARDS) -> str:
    """The program that plays: the one named, else one of the usual ones where there is a sound card; "" for none."""
    if player:
        return shutil.which(player) or ""
    try:
        there = cards.read_text(encoding="utf-8", errors="replace").lstrip()[:1].isdigit()
    except OSError:
        there = False
    found = (shutil.which(name) for name in PLAYERS) if there else ()
    return next((path for path in found if path), "")


class Speaker:
    """One sound at a time; a new one replaces the old."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None

    def play(self, player: str, round_no: int, loudest: float) -> str:
        """Begins to play. Returns "" once it plays, else what went wrong."""
        self.stop()
        file = os.memfd_create("tone.wav")
        try:
            with os.fdopen(os.dup(file), "wb") as stream:
                stream.write(sound(round_no, loudest))
            process = subprocess.Popen(
                [player, f"/proc/self/fd/{file}"], pass_fds=(file,), stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
        except OSError as error:
            return f"{player}: {error.strerror}"
        finally:
            os.close(file)
        try:
            code = process.wait(PROOF_S)
        except subprocess.TimeoutExpired:
            self._process = process
            return ""
        return f"{Path(player).name} ended with {code}; is the sound card there and free?" if code else ""

    def stop(self) -> None:
        """Ends the sound."""
        process, self._process = self._process, None
        if process is None or process.poll() is not None:
            return
        process.terminate()
        try:
            process.wait(END_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
