"""The shipped broker settings on a real Mosquitto: wrong passwords, foreign topics, TLS, what waits over a night."""

from __future__ import annotations

import os
import queue
import re
import shutil
import socket
import ssl
import stat
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tests.deploy.root import INSIDE, root_or_skip
from tests.parts.broker import free_port
from tests.parts.need import need
from tests.parts.wait import until

FOLDER = Path(__file__).resolve().parents[2] / "deploy" / "mosquitto"
PROGRAMS = ("mosquitto", "mosquitto_passwd", "mosquitto_pub", "mosquitto_sub", "openssl", "ip")


@pytest.fixture(scope="module", autouse=True)
def programs() -> None:
    """All that these tests run."""
    for name in PROGRAMS:
        need(name)


def make(folder: Path, *words: str, good: bool = True) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        ["sh", str(FOLDER / "make.sh"), "--folder", str(folder), *words], capture_output=True, text=True, check=False
    )
    assert not good or done.returncode == 0, done.stderr
    return done


class House:
    """The shipped settings with this test's paths and ports, running."""

    def __init__(self, folder: Path) -> None:
        self.keys = folder / "keys"
        make(self.keys, "--host", "127.0.0.1", "--host", "localhost", "home", "cellar", "attic")
        self.passwords = dict(line.split(":") for line in (self.keys / "users.txt").read_text().split())
        self.plain, self.tls = free_port(), free_port()
        text = (FOLDER / "kojimon.conf").read_text()
        text = text.replace("/etc/mosquitto/kojimon", str(self.keys)).replace("listener 8883", f"listener {self.tls}")
        text = text.replace("listener 1883 127.0.0.1", f"listener {self.plain} 127.0.0.1")
        if os.geteuid() == 0:
            text += "\nuser root\n"
        (folder / "mosquitto.conf").write_text(text)
        self._log = (folder / "log").open("ab")
        self._process = subprocess.Popen([need("mosquitto"), "-c", str(folder / "mosquitto.conf")],
                                         stdout=self._log, stderr=self._log)  # fmt: skip
        until(lambda: self.refusal("view") == "", what=(folder / "log").read_text())

    def client(self, user: str, password: str | None = None, tls: bool = False, name: str = "") -> Client:
        return Client(self, user, self.passwords.get(user, "") if password is None else password, tls, name)

    def refusal(self, user: str, password: str | None = None, tls: bool = False) -> str:
        """ "" when it lets the user in, else why not."""
        try:
            client = self.client(user, password, tls)
        except OSError as error:
            return type(error).__name__
        client.close()
        return client.refused

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(60)
        self._log.close()


class Client:
    """A client that keeps what it hears. `refused`: why it was not let in."""

    def __init__(self, house: House, user: str, password: str, tls: bool = False, name: str = "") -> None:
        self.heard: queue.Queue[tuple[str, bytes]] = queue.Queue()
        self.refused = "no answer"
        self._answered, self._granted = threading.Event(), threading.Event()
        self._codes: list[Any] = []
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=paho.MQTTv5)
        if user:
            self._client.username_pw_set(user, password)
        if tls:
            self._client.tls_set(str(house.keys / "ca.pem"), tls_version=ssl.PROTOCOL_TLS_CLIENT)
        self._client.on_connect = self._connected
        self._client.on_subscribe = self._subscribed
        self._client.on_message = lambda _client, _data, message: self.heard.put((message.topic, message.payload))
        options = Properties(PacketTypes.CONNECT)
        options.SessionExpiryInterval = 3600 if name else 0
        self._client.connect(
            "127.0.0.1", house.tls if tls else house.plain, 20, clean_start=not name, properties=options
        )
        self._client.loop_start()
        assert self._answered.wait(60)

    def _connected(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self.refused = str(reason) if reason.is_failure else ""
        self._answered.set()

    def _subscribed(self, _client: Any, _data: Any, _mid: int, codes: list[Any], _properties: Any) -> None:
        self._codes = codes
        self._granted.set()

    def listen(self, topic: str) -> bool:
        """Whether the broker grants it; granted does not mean that anything will be passed on."""
        self._granted.clear()
        self._client.subscribe(topic, 1)
        assert self._granted.wait(60)
        return not self._codes[0].is_failure

    def put(self, topic: str, payload: bytes = b"31.0", retain: bool = False) -> None:
        self._client.publish(topic, payload, 1, retain).wait_for_publish(60)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    made = House(tmp_path_factory.mktemp("broker"))
    yield made
    made.stop()


@pytest.mark.parametrize(
    ("user", "password"),
    [("home", "wrong"), ("home", ""), ("nobody", "x"), ("", ""), ("home-cellar-probes", "wrong"), ("HOME", None)],
)
@pytest.mark.parametrize("tls", [False, True])
def test_whoever_does_not_know_the_password_stays_outside(
    house: House, user: str, password: str | None, tls: bool
) -> None:
    assert house.refusal(user, password, tls) == "Not authorized"


@pytest.mark.parametrize("user", ["home", "view", "home-cellar-probes", "home-attic-button"])
@pytest.mark.parametrize("tls", [False, True])
def test_whoever_does_is_let_in(house: House, user: str, tls: bool) -> None:
    assert house.refusal(user, None, tls) == ""


def test_one_user_s_password_is_not_another_s(house: House) -> None:
    assert len(set(house.passwords.values())) == len(house.passwords) == 6
    assert house.refusal("home", house.passwords["view"]) == "Not authorized"


MAY_WRITE: dict[str, set[str]] = {
    "home": {"kojimon/home/status", "kojimon/home/cellar/state", "kojimon/home/cellar/act", "kojimon/home/attic/act"},
    "home-cellar-probes": {"probes/home/cellar/koji"},
    "home-cellar-button": {"kojimon/home/cellar/act"},
    "view": set(),
}
TOPICS = [
    "kojimon/home/status", "kojimon/home/cellar/state", "kojimon/home/cellar/act", "kojimon/home/attic/act",
    "kojimon/other/status", "kojimon/other/cellar/act", "probes/home/cellar/koji", "probes/home/attic/koji",
    "probes/other/cellar/koji", "elsewhere",
]  # fmt: skip


@pytest.mark.parametrize("user", MAY_WRITE)
def test_nobody_writes_where_it_is_not_theirs(house: House, user: str) -> None:
    """Heard by those who may hear it; what is refused reaches nobody, and the writer is not told."""
    listeners = [house.client("home"), house.client("view")]
    assert listeners[0].listen("kojimon/home/#") and listeners[0].listen("probes/home/#")
    assert listeners[1].listen("kojimon/+/#")
    writer = house.client(user)
    mark = f"{user} was here".encode()
    for topic in TOPICS:
        writer.put(topic, mark)
    house_writes = house.client("home")
    house_writes.put("kojimon/home/end", mark)
    found: set[str] = set()
    for listener in listeners:
        for topic, payload in iter(lambda one=listener: one.heard.get(timeout=60), ("kojimon/home/end", mark)):
            found |= {topic} if payload == mark else set()
    assert found == MAY_WRITE[user]
    for client in (*listeners, writer, house_writes):
        client.close()


@pytest.mark.parametrize(
    ("user", "topic", "hears"),
    [
        ("home-cellar-probes", "kojimon/home/cellar/state", False),
        ("home-cellar-probes", "probes/home/cellar/koji", False),
        ("home-cellar-button", "kojimon/home/cellar/state", True),
        ("home-cellar-button", "kojimon/home/attic/state", False),
        ("home-cellar-button", "kojimon/home/status", True),
        ("view", "kojimon/home/attic/state", True),
        ("view", "probes/home/cellar/koji", False),
        ("home", "kojimon/other/heartbeat", False),
    ],
)
def test_nobody_hears_what_is_not_theirs(house: House, user: str, topic: str, hears: bool) -> None:
    """What is retained comes at once to whoever may read it; a mark that all may read says that no more comes."""
    site = house.client("home")
    probes = house.client("home-cellar-probes")
    (probes if topic.startswith("probes/") else site).put(topic, b"secret", retain=True)
    reader = house.client(user)
    reader.listen(topic)
    reader.listen("kojimon/home/status")
    site.put("kojimon/home/status", b"end")
    if user in ("home-cellar-probes",):
        # It may read nothing at all; the broker's answers to its own writes come in order.
        reader.put("probes/home/cellar/koji", b"x")
        heard = []
    else:
        heard = list(iter(lambda: reader.heard.get(timeout=60), ("kojimon/home/status", b"end")))
    assert ((topic, b"secret") in heard) == hears
    assert reader.heard.empty()
    site.put(topic, b"", retain=True)
    for client in (site, probes, reader):
        client.close()


def test_tls_is_checked_against_the_authority(house: House) -> None:
    with pytest.raises(ssl.SSLCertVerificationError):
        context = ssl.create_default_context()
        with (
            socket.create_connection(("127.0.0.1", house.tls), 10) as bare,
            context.wrap_socket(bare, server_hostname="127.0.0.1"),
        ):
            pass
    context = ssl.create_default_context(cafile=str(house.keys / "ca.pem"))
    context.check_hostname = True
    with (
        socket.create_connection(("127.0.0.1", house.tls), 10) as bare,
        context.wrap_socket(bare, server_hostname="localhost") as link,
    ):
        assert link.version() in ("TLSv1.2", "TLSv1.3")


def test_what_comes_while_kojimon_is_away_waits_for_it(house: House) -> None:
    """Raised limits: 5,000 readings, where a stock broker keeps 1,000."""
    away = house.client("home", name="kojimon-home")
    away.listen("probes/home/#")
    away.close()
    probes = house.client("home-cellar-probes")
    topic = "probes/home/cellar/queued"  # other tests speak on the others
    for number in range(5000):
        probes._client.publish(topic, f"{number}", 1)
    probes.put(topic, b"last")
    back = house.client("home", name="kojimon-home")
    heard = iter(lambda: back.heard.get(timeout=60), (topic, b"last"))
    found = [payload for where, payload in heard if where == topic]
    assert found == [f"{number}".encode() for number in range(5000)]
    probes.close()
    back.close()


def test_made_again_for_another_site_everything_that_was_there_stays(tmp_path: Path) -> None:
    keys = tmp_path / "keys"
    make(keys, "--host", "koji.lan", "home", "cellar")
    before = {file.name: file.read_bytes() for file in keys.iterdir()}
    make(keys, "--host", "koji.lan", "home", "cellar")
    assert {file.name: file.read_bytes() for file in keys.iterdir()} == before
    make(keys, "--host", "koji.lan", "--host", "192.0.2.7", "shed", "box")
    after = {file.name: file.read_bytes() for file in keys.iterdir()}
    assert after["ca.pem"] == before["ca.pem"] and after["server.pem"] != before["server.pem"], "a new name for it"
    for name in ("users.txt", "passwords", "acl"):
        assert after[name].startswith(before[name]) and b"shed-box-probes" in after[name]
    modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in keys.iterdir()}
    assert {name for name, mode in modes.items() if mode & 0o077} == {"ca.pem", "server.pem"}
    assert not any(word.encode() in after["passwords"] for word in re.findall(r":(\w+)", after["users.txt"].decode()))


def test_the_sample_is_what_is_written(tmp_path: Path) -> None:
    make(tmp_path / "keys", "--host", "koji.lan", "home", "cellar", "attic")

    def rules(path: Path) -> list[str]:
        return [line for line in path.read_text().splitlines() if line and not line.startswith("#")]

    assert rules(tmp_path / "keys" / "acl") == rules(FOLDER / "acl.sample")


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("home", "cellar"), "--host is missing"),
        (("--host", "koji.lan", "home"), "expected a site and at least one box"),
        (("--host", "koji.lan", "home", "a/b"), '"a/b": expected letters, digits, dots, - and _ in a name'),
        (("--host", "koji.lan", "home", "#"), '"#": expected letters'),
        (("--sideways",), "--sideways is no option of mine"),
    ],
)
def test_wrong_use_is_said_and_nothing_is_made(tmp_path: Path, words: tuple[str, ...], text: str) -> None:
    done = make(tmp_path / "keys", *words, good=False)
    assert done.returncode == 1 and text in done.stderr and not (tmp_path / "keys").exists()


ON_THE_SYSTEM = """
set -eu
mkdir -p /run/mosquitto && chown mosquitto: /run/mosquitto
mkdir -p /var/lib/mosquitto && chown mosquitto: /var/lib/mosquitto
sh INSIDE/deploy/mosquitto/make.sh --host 127.0.0.1 home cellar
stat -c '%U:%G %a %n' /etc/mosquitto/kojimon/*
unshare --net sh -c '
    keys=/etc/mosquitto/kojimon
    word() { sed -n "s/^$1://p" $keys/users.txt; }
    ip link set lo up
    mosquitto -c /etc/mosquitto/mosquitto.conf &
    broker=$!
    until mosquitto_sub -h 127.0.0.1 -u view -P "$(word view)" -t x -E; do kill -0 $broker; done
    mosquitto_pub -h 127.0.0.1 -p 8883 --cafile $keys/ca.pem -u home -P "$(word home)" \\
        -t kojimon/home/status -m online && echo let in
    mosquitto_pub -h 127.0.0.1 -u home -P wrong -t kojimon/home/status -m online || echo kept out
    kill $broker
'
"""


@pytest.mark.slow
def test_on_the_system_itself_the_broker_can_read_what_it_needs_and_no_more(tmp_path: Path) -> None:
    """Debian's own settings and user, the shipped ones beside them, in a root and a network of their own."""
    root = root_or_skip(tmp_path / "root")
    done = root.run("sh", "-c", ON_THE_SYSTEM.replace("INSIDE", INSIDE))
    lines = done.stdout.splitlines()
    assert "let in" in lines and "kept out" in lines and "Now: sudo systemctl restart mosquitto" in lines
    modes = {line.rsplit("/", 1)[1]: line.split()[:2] for line in lines if line.startswith("root:")}
    assert modes["passwords"] == modes["acl"] == modes["server.key"] == ["root:mosquitto", "640"]
    assert modes["users.txt"] == modes["ca.key"] == ["root:root", "600"]
    assert modes["ca.pem"] == ["root:root", "644"]
    shutil.rmtree(root.folder)
