"""Signs of life, sent only from the end of a full pass: read, judged, stored. Who hears none knows that we are dead.

Every so often the journal is asked to commit; the sign goes out when that commit is done and the core's own work was in
it. A thread that merely lives proves nothing.
"""

from __future__ import annotations

import threading
import urllib.error
import urllib.request
from collections.abc import Callable
from typing import Final

import msgspec

from kojimon import logs
from kojimon.clock import real_s
from kojimon.errors import KojimonError
from kojimon.journal.records import Chunk

PING_S: Final = 10.0
SLACK_S: Final = 5.0
FAILURES_TOLD: Final = 3

_LOG = logs.get("heartbeat")


class Heartbeat:
    """See the module text. All times in here are real: it is about this process.

    Args:
        every_s: how often.
        submit: hands a chunk to the journal's writer.
        publish: takes the sign for MQTT (JSON), returns whether it went out; None without a broker.
        address: gives the web address to ask (may raise KojimonError); None without one.
        health: told when the web address cannot be reached.
        facts: more fields of the sign.
    """

    def __init__(
        self,
        every_s: float,
        submit: Callable[[Chunk], None],
        publish: Callable[[bytes], bool] | None = None,
        address: Callable[[], str] | None = None,
        health: Callable[[str, bool, str], None] = lambda _what, _ok, _text: None,
        facts: Callable[[], dict[str, object]] = dict,
    ) -> None:
        self._every_s, self._submit = every_s, submit
        self._publish, self._address, self._health, self._facts = publish, address, health, facts
        self._stop = threading.Event()
        self._wanted = False
        self._core_s = float("-inf")
        self._ping: threading.Thread | None = None
        self.sent = self.pings = self.failures = 0
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)

    def start(self) -> None:
        """Begins."""
        self._thread.start()

    def stop(self, timeout_s: float = 1.0) -> None:
        """Ends; no further sign goes out."""
        self._stop.set()
        self._thread.join(timeout_s)

    def committed(self, chunk: Chunk) -> None:
        """A chunk is on the disk; those of the core carry its horizon. Called in the journal's thread, quick."""
        now_s = real_s()
        if chunk.horizon_ms > 0:
            self._core_s = now_s
        if self._wanted and now_s - self._core_s <= self._every_s + SLACK_S and not self._stop.is_set():
            self._wanted = False
            self._send()

    def _run(self) -> None:
        while not self._stop.wait(self._every_s):
            self._wanted = True
            self._submit(Chunk(urgent=True))

    def _send(self) -> None:
        self.sent += 1
        if self._publish is not None:
            self._publish(msgspec.json.encode({"every_s": self._every_s, "sent": self.sent, **self._facts()}))
        if self._address is not None and (self._ping is None or not self._ping.is_alive()):
            self._ping = threading.Thread(target=self._ask, args=(self._address,), name="ping", daemon=True)
            self._ping.start()

    def _ask(self, address: Callable[[], str]) -> None:
        wrong = ""
        try:
            with urllib.request.urlopen(address(), timeout=PING_S) as answer:
                wrong = "" if answer.status < 400 else f"it answers {answer.status}"
        except KojimonError as error:
            wrong = str(error)
        except urllib.error.HTTPError as error:
            wrong = f"it answers {error.code}"
            error.close()
        except (OSError, ValueError) as error:
            # The address is a secret: only the kind of failure is told.
            wrong = f"it cannot be reached ({type(error).__name__})"
        self.failures = self.failures + 1 if wrong else 0
        self.pings += not wrong
        if wrong:
            _LOG.warning("heartbeat: %s", wrong)
        if self.failures >= FAILURES_TOLD or not wrong:
            self._health("heartbeat", not wrong, wrong or "sent again")
