"""`kojimon sites`: every incubator of every site on a broker, from what is retained there.

No daemon has to run here: whoever may read `kojimon/#` at the broker sees them all.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click
import msgspec
from msgspec import Struct

from kojimon.cli.shared import screen
from kojimon.cli.shared.opening import settings_of
from kojimon.cli.shared.options import config_option, example, host_port, json_option
from kojimon.clock import SystemClock, real_s
from kojimon.contract.state import Box, Now
from kojimon.errors import KojimonError, UsageError
from kojimon.units import show_duration
from kojimon.words import speech as say
from kojimon.words.card import BoxTopic, Card
from kojimon.words.listed import Listed

if TYPE_CHECKING:
    from kojimon.links.mqtt import Address
    from kojimon.links.mqtt_io import Incoming, MqttIo
    from kojimon.settings.spec import Settings

FILTERS: Final = ("kojimon/+/status", "kojimon/+/+/state")
CONNECT_S: Final = 10.0
QUIET_S: Final = 0.5
"""What is retained comes at once after the subscription; so long without more, it was all of it."""
COLLECT_S: Final = 5.0
SHOW_EVERY_S: Final = 2.0
OLD_MS: Final = 180_000
"""A state older than this is said to be; a daemon that watches commits, and shows it, every minute."""
TOPICS_MOST: Final = 5000
NOBODY: Final = "kojimon is not running there."

T = TypeVar("T")


class Row(Struct, frozen=True):
    """One incubator of one site, or a site of which nothing but its status is known.

    Attributes:
        online: what its daemon, or its last will, said.
        age_s: how old the state is by this machine's clock, None where either clock is not to be trusted.
        box: the incubator of the state document; None where there is none. card: what is said of it.
        alarms: those of its site.
        unread: there is one, but of another form.
    """

    site: str
    online: bool
    incubator: str
    age_s: float | None = None
    box: Box | None = None
    card: Card | None = None
    alarms: tuple[Listed, ...] = ()
    unread: bool = False


class Board:
    """Keeps the last payload of each topic; bounded, whatever a broker sends."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._topics: dict[str, bytes] = {}
        self._heard_s = real_s()
        self.left_out = 0

    def heard(self, message: Incoming) -> None:
        """Takes a message; an empty one ends its topic. For the network thread."""
        with self._lock:
            self._heard_s = real_s()
            if not message.payload:
                self._topics.pop(message.topic, None)
            elif message.topic in self._topics or len(self._topics) < TOPICS_MOST:
                self._topics[message.topic] = message.payload
            else:
                self.left_out += 1

    def quiet_s(self) -> float:
        """Real seconds since something came."""
        return real_s() - self._heard_s

    def topics(self) -> dict[str, bytes]:
        """All of it as it stands."""
        with self._lock:
            return dict(self._topics)


def rows_of(topics: Mapping[str, bytes], now_utc_ms: int) -> list[Row]:
    """The incubators in what is retained, in the order of site and name; what cannot be read is left out."""
    parts = [(*topic.split("/"), payload) for topic, payload in topics.items()]
    online = {str(part[1]): part[-1] == b"online" for part in parts if len(part) == 4 and part[2] == "status"}
    found = []
    for part in parts:
        if len(part) == 5 and part[3] == "state" and _decoded(part[-1], _AnyBox) is not None:
            site, name = str(part[1]), str(part[2])
            topic, on = _decoded(part[-1], BoxTopic), online.get(site, False)
            if topic is None or topic.card.headline.tone not in screen.STYLES:
                found.append(Row(site, on, name, unread=True))
                continue
            found.append(
                Row(site, on, name, _age_s(topic.now, now_utc_ms), topic.incubator, topic.card, topic.alarms)
            )
    known = {row.site for row in found}
    found += [Row(site, on, "") for site, on in online.items() if site not in known]
    return sorted(found, key=lambda row: (row.site, row.incubator))


class _AnyBox(Struct, frozen=True):
    """What has at least an incubator, of whatever version of kojimon."""

    incubator: dict[str, msgspec.Raw]


def _decoded(payload: Any, kind: type[T]) -> T | None:
    try:
        return msgspec.json.decode(payload, type=kind)
    except (msgspec.DecodeError, ValueError, RecursionError):  # whatever somebody has left there
        return None


def _age_s(now: Now, now_utc_ms: int) -> float | None:
    if not now.trusted or not now.utc:
        return None
    with contextlib.suppress(ValueError):
        return (now_utc_ms - say.moment_utc(now.utc).timestamp() * 1000) / 1000
    return None


# -- in words ----------------------------------------------------------------------------------------------------


def line_of(row: Row) -> tuple[tuple[str, ...], str]:
    """The cells of a row (site, box, batch, sentence) and its tone."""
    if row.unread:
        return (row.site, row.incubator, "", "Its state cannot be read: another version of kojimon?"), "look"
    if row.card is None:
        return (row.site, "", "", "Runs; no state yet." if row.online else NOBODY), "look" if row.online else "wrong"
    card, said = row.card, row.card.headline
    cells = (row.site, card.label, f"{card.batch}, hour {card.hour}" if card.hour else card.batch)
    if not row.online:
        ago = f" {show_duration(row.age_s)} ago" if row.age_s is not None and row.age_s >= 60 else ""
        return (*cells, f"{NOBODY} Last{ago}: {said.text}"), "wrong"
    if row.age_s is not None and row.age_s * 1000 > OLD_MS:
        return (*cells, f"As of {show_duration(row.age_s)} ago: {said.text}"), "look"
    return (*cells, said.text), said.tone


def show(rows: Sequence[Row], left_out: int = 0) -> None:
    """All incubators, one line each."""
    if not rows:
        screen.say("No kojimon publishes on this broker (`publish: {to: ...}` in its settings).", "look")
        return
    told = [line_of(row) for row in rows]
    screen.story(["site", "box", "batch", "how it stands"], [cells for cells, _ in told], [tone for _, tone in told])
    for row in {row.site: row for row in rows}.values():
        for alarm in row.alarms:
            if alarm.holds and "alarm.acknowledge" in alarm.acts:
                screen.say(f"{row.site}: {alarm.text}", "look")
    if left_out:
        screen.say(f"{left_out} further messages were left out: too many topics.", "look")


# -- the broker ----------------------------------------------------------------------------------------------------


def broker_of(settings: Settings) -> Address:
    """The broker that the settings publish to, else their only one. Raises UsageError when there is none."""
    from kojimon.probes.sources.build import address
    from kojimon.settings.secrets import read_secret
    from kojimon.settings.spec import MqttSource

    brokers = {one.name: one for one in settings.sources if isinstance(one, MqttSource)}
    found = brokers.get(settings.publish.source) or (next(iter(brokers.values())) if len(brokers) == 1 else None)
    if found is None:
        raise UsageError("The settings name no broker to look at. Say which: kojimon sites --broker HOST")
    return address(found, read_secret)


def given_broker(broker: str, user: str, password_file: Path | None, ca_file: str) -> Address:
    """A broker as typed: HOST or HOST:PORT; with an authority's file it is spoken to over TLS."""
    from kojimon.links.mqtt import Address
    from kojimon.settings.secrets import read_secret
    from kojimon.settings.spec import Secret

    secret = None if password_file is None else Secret(file=str(password_file))
    where = host_port(broker, 8883 if ca_file else 1883)
    return Address(*where, user=user, secret=None if secret is None else lambda: read_secret(secret),
                   tls=bool(ca_file), ca_file=ca_file)  # fmt: skip


@contextlib.contextmanager
def listening(address: Address, board: Board) -> Any:
    """A connection that fills the board. Raises KojimonError in words when the broker lets nobody in."""
    from kojimon.links.mqtt_io import MqttIo

    name = f"kojimon-view-{os.getpid()}-{secrets.token_hex(3)}"
    link = MqttIo("view", address, name, filters=FILTERS, heard=board.heard)
    link.run()
    try:
        _await(link, address)
        yield link
    finally:
        link.stop()


def _await(link: MqttIo, address: Address) -> None:
    end_s = real_s() + CONNECT_S
    while not link.connected:
        trouble = link.facts().trouble.removeprefix("not started")
        if trouble or real_s() > end_s:
            raise KojimonError(f"{address.host}:{address.port}: {trouble or 'the broker does not answer'}")
        link.wait(0.1)


def collected(address: Address, board: Board) -> list[Row]:
    """Connects, takes what is retained, leaves again."""
    with listening(address, board) as link:
        end_s = real_s() + COLLECT_S
        while board.quiet_s() < QUIET_S and real_s() < end_s:
            link.wait(0.1)
    return rows_of(board.topics(), SystemClock().wall_ms())


# -- commands ------------------------------------------------------------------------------------------------------


def _run(address: Address, as_json: bool, stay: bool) -> None:
    board = Board()
    if stay and not as_json:
        with contextlib.suppress(KeyboardInterrupt):
            _stay(address, board)
        return
    rows = collected(address, board)
    if as_json:
        screen.print_json(rows)
    else:
        show(rows, board.left_out)


def _stay(address: Address, board: Board) -> None:
    """Shows it anew as often as something comes, every two seconds at most, until Ctrl-C."""
    shown: list[Row] = []
    with listening(address, board) as link:
        while True:
            rows = rows_of(board.topics(), SystemClock().wall_ms())
            if rows != shown:
                with screen.page():
                    show(rows, board.left_out)
                shown = rows
            if not link.connected:
                screen.say("No contact with the broker. This list is out of date.", "wrong")
            end_s = real_s() + SHOW_EVERY_S
            while real_s() < end_s:
                link.wait(0.2)


@click.command(
    epilog=example(
        "kojimon sites",
        "kojimon sites --broker koji.lan --user view --password-file view-password --ca ca.pem",
        "kojimon sites --once --json",
    )
)
@config_option
@json_option
@click.option("--once", is_flag=True, help="Show it once and end.")
@click.option("--broker", metavar="HOST[:PORT]", help="The broker, instead of the one in the settings.")
@click.option("--user", default="", metavar="NAME", help="User at that broker.")
@click.option("--password-file", type=click.Path(path_type=Path), metavar="FILE", help="Its password stands in it.")
@click.option("--ca", default="", metavar="FILE", help="Authority of the broker's certificate: speak TLS.")
def sites(
    config: str | None, as_json: bool, once: bool, broker: str | None, user: str, password_file: Path | None, ca: str
) -> None:
    """Every box of every site on one broker, live: what each kojimon publishes there. Ctrl-C ends it."""
    address = given_broker(broker, user, password_file, ca) if broker else broker_of(settings_of(config))
    _run(address, as_json, not once)
