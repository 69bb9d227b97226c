"""A real Mosquitto on a free loopback port, configured for the test, that may be killed, frozen and restarted."""

from __future__ import annotations

import contextlib
import itertools
import os
import signal
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType

from tests.parts.need import need
from tests.parts.wait import until

_ports = itertools.cycle(range(20_000, 32_000))


def free_port() -> int:
    """A port of the loopback interface that nobody listens on now.

    It lies below those that the kernel gives to whoever asks for any (32768 and up, ip(7)), so that no connection of
    another test takes it before it is used; each process begins to look somewhere else.
    """
    while True:
        port = next(_ports)
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port


for _ in range(os.getpid() * 97 % 12_000):
    next(_ports)


class Broker:
    """One Mosquitto process.

    Args:
        folder: an empty folder for its configuration, store and log.
        users: name -> password; none lets everybody in.
        acl: lines of an access list.
        tls: (certificate, key) files; None for plain TCP.
        persistent: keep sessions and retained messages over an orderly restart.
        more: further configuration lines.
        strangers: lets in who gives no name as well.
    """

    def __init__(
        self,
        folder: Path,
        users: dict[str, str] | None = None,
        acl: tuple[str, ...] = (),
        tls: tuple[Path, Path] | None = None,
        persistent: bool = False,
        more: tuple[str, ...] = (),
        strangers: bool = False,
    ) -> None:
        self.folder, self.port, self._program = folder, free_port(), need("mosquitto")
        folder.mkdir(parents=True, exist_ok=True)
        lines = [f"listener {self.port} 127.0.0.1", "log_dest stderr", "set_tcp_nodelay true", *more]
        lines += [f"log_type {kind}" for kind in ("error", "warning", "notice", "information")]
        lines += [f"allow_anonymous {'false' if users and not strangers else 'true'}"]
        if users:
            lines.append(f"password_file {self._passwords(users)}")
        if acl:
            (folder / "acl").write_text("\n".join(acl) + "\n")
            lines.append(f"acl_file {folder / 'acl'}")
        if tls:
            lines += [f"certfile {tls[0]}", f"keyfile {tls[1]}"]
        if persistent:
            lines += ["persistence true", f"persistence_location {folder}/"]
        if os.geteuid() == 0:
            lines.append("user root")
        (folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")
        self._process: subprocess.Popen[bytes] | None = None

    def _passwords(self, users: dict[str, str]) -> Path:
        file = self.folder / "passwords"
        file.write_text("".join(f"{name}:{password}\n" for name, password in users.items()))
        file.chmod(0o600)
        subprocess.run([need("mosquitto_passwd"), "-U", str(file)], check=True, capture_output=True)
        return file

    @property
    def log(self) -> str:
        """What it has written so far."""
        file = self.folder / "log"
        return file.read_text(errors="replace") if file.exists() else ""

    def start(self) -> Broker:
        """Starts it and waits until it accepts connections."""
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [self._program, "-c", str(self.folder / "mosquitto.conf")],
                stdout=log, stderr=log, stdin=subprocess.DEVNULL,
            )  # fmt: skip
        until(self._accepts, what=f"broker on {self.port}: {self.log[-500:]}")
        return self

    def _accepts(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, self.log[-1000:]
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1.0):
            return True
        return False

    def stop(self) -> None:
        """Orderly end (SIGTERM), as a restart of the service does."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """Ends it as a power cut does (SIGKILL): nothing is stored."""
        self._end(signal.SIGKILL)

    def _end(self, number: signal.Signals) -> None:
        if self._process is not None:
            with contextlib.suppress(ProcessLookupError):
                self._process.send_signal(signal.SIGCONT)
                self._process.send_signal(number)
            self._process.wait(60)
            self._process = None

    def freeze(self) -> None:
        """Stops it without closing anything (SIGSTOP): a half-open link."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Lets it go on."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def set_strangers(self, let_in: bool) -> None:
        """Lets in who gives no name, or no more; its settings are read anew (SIGHUP), connections stay."""
        assert self._process is not None
        config = self.folder / "mosquitto.conf"
        now, then = ("false", "true") if let_in else ("true", "false")
        config.write_text(config.read_text().replace(f"allow_anonymous {now}", f"allow_anonymous {then}"))
        self._process.send_signal(signal.SIGHUP)

    def restart(self) -> None:
        """A power cut and a new start: sessions and retained messages are gone."""
        self.kill()
        self.start()

    def __enter__(self) -> Broker:
        return self.start() if self._process is None else self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()


def publish(broker: Broker, topic: str, payload: bytes | str, qos: int = 1, retain: bool = False, **more: str) -> None:
    """Publishes one message with a client of its own and waits for the broker's answer."""
    import paho.mqtt.publish

    auth = {"username": more["user"], "password": more["password"]} if "user" in more else None
    paho.mqtt.publish.single(topic, payload, qos, retain, "127.0.0.1", broker.port, auth=auth)  # type: ignore[arg-type]


def certificates(folder: Path, host: str = "127.0.0.1") -> tuple[Path, Path, Path]:
    """A throw-away authority and a server certificate for `host` made with openssl: (ca, certificate, key)."""
    ca, ca_key = folder / "ca.pem", folder / "ca.key"
    cert, key, request, names = (folder / name for name in ("server.pem", "server.key", "server.csr", "names"))
    openssl = need("openssl")
    new = [openssl, "req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    authority = ["-addext", "keyUsage=critical,keyCertSign,cRLSign"]
    _run([*new, "-x509", "-days", "2", "-subj", "/CN=test authority", *authority, "-keyout", ca_key, "-out", ca])
    _run([*new, "-subj", f"/CN={host}", "-keyout", key, "-out", request])
    names.write_text(f"subjectAltName={'IP' if host[0].isdigit() else 'DNS'}:{host}\n")
    signer = ["-CA", ca, "-CAkey", ca_key, "-CAcreateserial", "-days", "2", "-extfile", names]
    _run([openssl, "x509", "-req", "-in", request, *signer, "-out", cert])
    return ca, cert, key


def _run(command: list[str | Path]) -> None:
    subprocess.run([str(part) for part in command], check=True, capture_output=True)


@contextlib.contextmanager
def running(folder: Path) -> Iterator[Broker]:
    """An open broker for the length of a test."""
    with Broker(folder) as broker:
        yield broker
