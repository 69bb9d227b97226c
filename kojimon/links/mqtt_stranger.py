"""Whether a broker lets anybody in: tried by a connection of our own that gives no name and no password."""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from kojimon.clock import real_s
from kojimon.errors import LinkError
from kojimon.links.mqtt import Address, MqttLink

if TYPE_CHECKING:
    from paho.mqtt.client import Client


AGAIN_S: Final = 60.0
"""Real time until a broker is tried again: its settings may have been read anew without a new connection."""
STANDARD_PORT: Final = 1883
"""Of MQTT without TLS (IANA): a broker that is spoken to on another port may listen here as well."""
BESIDE_S: Final = 600.0
"""Real time until that one is tried again."""


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
    return (
        f"{where} lets in nobody without a password; acts over MQTT are on "
        f"(other ports of the broker than this and {STANDARD_PORT} are not tried)"
    )


def tried(address: Address, beside: bool = True) -> tuple[bool | None, str]:
    """Whether strangers get in, there or (`beside`) at the standard port of the same host; and that for a person."""
    let_in = lets_strangers_in(address)
    if let_in is False and beside and address.port != STANDARD_PORT:
        other = replace(address, port=STANDARD_PORT, tls=False)
        if lets_strangers_in(other):
            return True, in_words(other, True)
    return let_in, in_words(address, let_in)


class Trial:
    """Tries a broker at each connection and again each minute, in a thread of its own.

    Args:
        address: the broker.
        told: called with (strangers are kept out, in words) when a trial comes to something new.
        connected: whether we are; while we are not, no answer is no news.
    """

    def __init__(self, address: Address, told: Callable[[bool, str], None], connected: Callable[[], bool]) -> None:
        self._address, self._told, self._connected = address, told, connected
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
        let_in: bool | None = True
        number, beside_s = 0, 0.0
        while not self._ended:
            self._wake.clear()
            # Who was let in beside is tried there again at once: the first port alone would be no news.
            beside = number != self._number or let_in is not False or real_s() - beside_s >= BESIDE_S
            number = self._number
            if beside:
                beside_s = real_s()
            let_in, text = tried(self._address, beside)
            if self._take(number, let_in) and text != self._said:
                self._said = text
                self._told(let_in is False, text)
            if number == self._number:
                self._wake.wait(AGAIN_S)

    def _take(self, number: int, let_in: bool | None) -> bool:
        """What a trial came to counts from now on; whether it may be told."""
        with self._lock:
            if number != self._number:
                return False
            was, self.safe = self.safe, let_in is False
            if let_in is None and was:  # once without an answer may be an accident: acts wait, nobody is troubled
                self.safe = None
                return False
        return let_in is not None or self._connected()
