"""Whether a broker lets anybody in: tried by a connection of our own that gives no name and no password."""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from kojimon.links.errors import LinkError
from kojimon.links.mqtt import Address, MqttLink

if TYPE_CHECKING:
    from paho.mqtt.client import Client


AGAIN_S: Final = 60.0
"""Real time until an open broker is tried again: its settings may have been read anew without a new connection."""


class _Stranger(MqttLink):
    """One connection without a name, over as soon as it is answered."""

    kind = "mqtt-stranger"

    def __init__(self, address: Address) -> None:
        nobody = replace(address, user="", secret=None)
        super().__init__("stranger", nobody, f"stranger-{secrets.token_hex(6)}")
        self.over, self.let_in = threading.Event(), False

    def _connected_now(self, client: Client, session_present: bool) -> None:
        self.let_in = True
        self.over.set()

    def meet(self) -> bool | None:
        try:
            self._session(self.over)
        except LinkError:
            return False if self._turned_away else None
        return True if self.let_in else None


def lets_strangers_in(address: Address) -> bool | None:
    """Whether the broker admits who says no name. None where that cannot be said: no answer, or another trouble.

    Takes two CONNECT_S at most.
    """
    return _Stranger(address).meet()


def in_words(address: Address, let_in: bool | None) -> str:
    """What a trial came to, for a person."""
    where = f"{address.host}:{address.port}"
    if let_in is None:
        return f"whether {where} lets strangers in could not be found out; acts over MQTT are off until it can"
    if let_in:
        return f"{where} lets in who has no password: acts over MQTT are off. Set allow_anonymous false there"
    return f"{where} lets in nobody without a password; acts over MQTT are on"


class Trial:
    """Tries a broker at each connection, in a thread of its own; while strangers get in, or that is not known, again.

    Args:
        address: the broker.
        told: called with (strangers are kept out, in words) when a trial comes to something new.
    """

    def __init__(self, address: Address, told: Callable[[bool, str], None]) -> None:
        self._address, self._told = address, told
        self._lock = threading.Lock()
        self._wake, self._ended = threading.Event(), False
        self._number, self._busy, self._said = 0, False, ""
        self.safe: bool | None = None
        """Whether strangers are kept out; None while it is being tried, and acts wait."""

    def again(self) -> None:
        """A new connection: perhaps another broker, or the same otherwise set. What was known counts no more."""
        with self._lock:
            self.safe = None
            self._number += 1
            self._wake.set()
            if self._busy or self._ended:
                return
            self._busy = True
        threading.Thread(target=self._run, name="mqtt-stranger", daemon=True).start()

    def end(self) -> None:
        """No further trial."""
        self._ended = True
        self._wake.set()

    def _run(self) -> None:
        while not self._ended:
            self._wake.clear()
            number = self._number
            let_in = lets_strangers_in(self._address)
            with self._lock:
                if number != self._number:
                    continue
                self.safe = let_in is False
                if self.safe:
                    self._busy = False
            text = in_words(self._address, let_in)
            if text != self._said:
                self._said = text
                self._told(let_in is False, text)
            if let_in is False:
                return
            self._wake.wait(AGAIN_S)
