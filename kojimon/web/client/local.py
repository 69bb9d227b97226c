"""Talks to the daemon over its local socket, with the standard library's HTTP: commands must start fast."""

from __future__ import annotations

import http.client
import json
import socket
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import urlencode

import msgspec

from kojimon.contract.health import DaemonHealth
from kojimon.contract.state import Document
from kojimon.errors import EXIT_USAGE, KojimonError, NotRunningError, RefusedError, UsageError
from kojimon.sockets import name_of
from kojimon.web.http.door import client_path

Told = TypeVar("Told")

TIMEOUT_S = 15.0
LONGEST_ANSWER = 64 * 1024 * 1024


class _UnixConnection(http.client.HTTPConnection):
    def __init__(self, path: Path, timeout_s: float) -> None:
        super().__init__("localhost", timeout=timeout_s)
        self._path = path

    def connect(self) -> None:
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.settimeout(self.timeout)
        with name_of(self._path) as name:
            self.sock.connect(name)


def _target(path: str, query: Mapping[str, object]) -> str:
    fields = {name: value for name, value in query.items() if value is not None}
    return f"{path}?{urlencode(fields)}" if fields else path


class Client:
    """The API of one daemon.

    Args:
        path: its socket (`door.socket_path`).
        timeout_s: longest wait for one answer.
    """

    def __init__(self, path: Path, timeout_s: float = TIMEOUT_S) -> None:
        self._path, self._timeout_s = path, timeout_s

    @classmethod
    def for_journal(cls, journal_path: str | Path, run_folder: str | Path = "") -> Client:
        """The client for the daemon that holds this journal."""
        return cls(client_path(journal_path, run_folder))

    def running(self) -> bool:
        """Whether a daemon answers."""
        try:
            self.get("/v1/health")
        except NotRunningError:
            return False
        except KojimonError:
            return True
        return True

    def get(self, path: str, **query: Any) -> Any:
        """Fetches `path` with the query's fields that are not None. Raises as `_ask` says."""
        return self._ask("GET", _target(path, query), None)

    def state(self) -> Document:
        """The state document. Raises as `_ask` says, and KojimonError where the daemon's has another form."""
        return self.record("state", Document)

    def health(self) -> DaemonHealth:
        """How the daemon itself is. Raises as `state` does."""
        return self.record("health", DaemonHealth)

    def record(self, name: str, form: type[Told], **query: Any) -> Told:
        """`/v1/{name}` as a record. Raises as `state` does."""
        try:
            text = self._ask("GET", _target(f"/v1/{name}", query), None, raw=True)
            found: Told = msgspec.json.decode(text, type=form)
            return found
        except msgspec.DecodeError as error:
            raise KojimonError(
                f"kojimon's {name} cannot be read ({error}): is it another version of kojimon? Restart it"
            ) from error

    def act(self, act: dict[str, Any]) -> Any:
        """Sends an act. Raises RefusedError with the daemon's words when it is refused."""
        return self._ask("POST", "/v1/acts", json.dumps(act).encode())

    def post(self, path: str, body: dict[str, Any]) -> Any:
        """Sends a document to `path`. Raises as `_ask` says."""
        return self._ask("POST", path, json.dumps(body).encode())

    def _ask(self, method: str, target: str, body: bytes | None, raw: bool = False) -> Any:
        """One request; `raw`: what came of it is not read.

        Raises:
            NotRunningError: nobody listens.
            RefusedError, UsageError, KojimonError: by what kojimon answered.
        """
        connection = _UnixConnection(self._path, self._timeout_s)
        headers = {"Content-Type": "application/json"} if body else {}
        try:
            connection.request(method, target, body, headers)
            response = connection.getresponse()
            text = response.read(LONGEST_ANSWER)
        except (FileNotFoundError, ConnectionRefusedError) as error:
            raise NotRunningError(f"kojimon does not answer at {self._path}; start it with `kojimon run`") from error
        except PermissionError as error:
            raise KojimonError(
                f"{self._path}: this user may not talk to kojimon; join the group it runs in, or be its user"
            ) from error
        except TimeoutError as error:
            raise KojimonError(f"kojimon did not answer within {self._timeout_s:g} s; try again") from error
        except (OSError, http.client.HTTPException) as error:
            raise NotRunningError(f"kojimon at {self._path} went away: {error}") from error
        finally:
            connection.close()
        return text if raw and response.status < 400 else _answer(response.status, text)


def _answer(status: int, text: bytes) -> Any:
    try:
        answer = json.loads(text)
    except ValueError as error:
        raise KojimonError(f"kojimon answered {status} with something that is not JSON") from error
    if status < 400:
        return answer
    words = str(answer.get("error", f"kojimon answered {status}"))
    wanted = str(answer.get("wanted", ""))
    if status == 409:
        raise RefusedError(words)
    message = f"{words}; {wanted}" if wanted else words
    raise (UsageError if answer.get("exit") == EXIT_USAGE else KojimonError)(message)
