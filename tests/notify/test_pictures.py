"""The small picture of the curve in messages: text first, never in the way of what wakes, a real mail server."""

from __future__ import annotations

import io
import threading
from collections.abc import Iterator
from email.header import decode_header, make_header
from email.message import Message
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace
from PIL import Image

from kojimon.contract.state import Document, Units
from kojimon.curve import pixels
from kojimon.model import Event
from kojimon.notify import dispatch, pictures
from kojimon.notify.asked import Service, Wanted
from kojimon.review.draw import picture
from tests.notify.test_carriers import Rig, service
from tests.notify.test_dispatch import begin, heat, kitchen
from tests.parts.inputs import event_row
from tests.parts.mailbox import Mailbox, text_of
from tests.parts.need import need
from tests.parts.receiver import Receiver
from tests.parts.wait import until
from tests.review.kitchen import Kitchen


@pytest.fixture(scope="module", autouse=True)
def drawing() -> None:
    """What draws."""
    need("libcairo.so.2")
    assert pixels.can()


PNG = b"\x89PNG\r\n\x1a\n"


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Wanted:
    """What is to be drawn: a batch of 30 hours with a reading a minute."""
    made = Kitchen(tmp_path_factory.mktemp("drawn")).begin()
    for minute in range(30 * 60):
        made.read(minute / 60, "bed", 31 + minute / 240 + minute % 7 / 20)
        made.read(minute / 60, "air", 30 + minute % 5 / 20)
    made.write(30.0).close()
    return Wanted(str(made.path), "b-1", None, fahrenheit=False, pounds=False, zone="America/Chicago")


@pytest.fixture
def rig() -> Iterator[Rig]:
    found = Rig()
    yield found
    found.lane.stop()


def pictures_of(mail: Message) -> list[bytes]:
    parts = [part.get_payload(decode=True) for part in mail.walk() if part.get_content_type() == "image/png"]
    return [part for part in parts if isinstance(part, bytes)]


def subject(mail: Message) -> str:
    return str(make_header(decode_header(mail["Subject"])))


@pytest.mark.parametrize("last_h", [None, 14.0, 0.1])
def test_a_picture_is_small_and_is_png(drawn: Wanted, last_h: float | None) -> None:
    """PNG signature and size: ISO/IEC 15948, 5.2 and 11.2.2."""
    data = pictures.made(replace(drawn, last_h=last_h), 60.0)
    assert data[:8] == PNG and len(data) <= picture.MOST_BYTES
    width, height = (int.from_bytes(data[at : at + 4]) for at in (16, 20))
    assert width == 720 and height <= 1500
    # Pillow comes with cairosvg: an empty sheet has one colour, lines and words with soft edges many.
    assert len(Image.open(io.BytesIO(data)).getcolors(1 << 20) or ()) > 50


def test_a_picture_too_large_is_made_coarser_then_left_out(drawn: Wanted, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = len(pictures.made(drawn, 60.0))
    monkeypatch.setattr(picture, "MOST_BYTES", whole - 1)
    coarse = pictures.made(drawn, 60.0)
    assert int.from_bytes(coarse[16:20]) == 360
    monkeypatch.setattr(picture, "MOST_BYTES", 100)
    assert pictures.made(drawn, 60.0) == b""


def test_what_cannot_be_made_in_time_is_left_out(drawn: Wanted, monkeypatch: pytest.MonkeyPatch) -> None:
    hold = threading.Event()
    monkeypatch.setattr(picture, "small_picture", lambda **_: hold.wait(60) and b"late")
    assert pictures.made(drawn, 0.05) == b"", "while it still holds"
    hold.set()
    assert pictures.made(replace(drawn, journal="/no/such"), 30.0) in (b"", b"late")


def test_what_is_told_takes_its_picture_along(rig: Rig, drawn: Wanted) -> None:
    with Mailbox() as mailbox:
        channel = service(mailbox.url, "mail", picture=True)
        assert rig.send(channel, kind="told", urgent=False, picture=drawn) == [("mail", "")]
        (mail,) = mailbox.mails
        types = [part.get_content_type() for part in mail.walk() if not part.is_multipart()]
        assert types == ["text/plain", "image/png"]
        assert pictures_of(mail)[0][:8] == PNG
        assert "Since 02:10." in text_of(mail)


@pytest.mark.parametrize("wrong", [{"batch": "no-such"}, {"journal": "/no/such/journal"}])
def test_without_a_picture_the_text_goes_all_the_same(rig: Rig, drawn: Wanted, wrong: dict[str, str]) -> None:
    with Mailbox() as mailbox:
        channel = service(mailbox.url, "mail", picture=True)
        told: dict[str, Any] = {"kind": "told", "urgent": False, "picture": replace(drawn, **wrong)}
        assert rig.send(channel, **told) == [("mail", "")]
        assert not pictures_of(mailbox.mails[0]) and "Since 02:10." in text_of(mailbox.mails[0])
        rig.send(channel, do="picture", **told)
        assert len(mailbox.mails) == 1, "the text is out already"


def test_programs_and_those_who_do_not_want_it_get_text(rig: Rig, drawn: Wanted) -> None:
    with Mailbox() as mailbox, Receiver() as receiver:
        channels = service(receiver.url, "hook", picture=True), service(mailbox.url, "mail")
        assert sorted(rig.send(*channels, kind="told", urgent=False, picture=drawn)) == [("hook", ""), ("mail", "")]
        assert not pictures_of(mailbox.mails[0])
        assert not receiver.got[0].body.get("attachments")


def test_a_call_is_text_and_its_picture_follows(tmp_path: Path) -> None:
    """Through a whole daemon: what wakes is out before a picture is thought of; that comes once, in the same thread."""
    with Mailbox() as mailbox, kitchen(tmp_path, mailbox.url) as one:
        begin(one)
        heat(one)
        until(lambda: [mail for mail in mailbox.mails if pictures_of(mail)])
        mails = list(mailbox.mails)
        call = next(mail for mail in mails if subject(mail).startswith("Top tray 41"))
        (follows,) = [mail for mail in mails if pictures_of(mail)]
        assert not pictures_of(call) and mails.index(call) < mails.index(follows)
        assert follows["References"] == call["References"]
        assert "The alarm repeats" in text_of(follows)
        heat(one, 4)
        until(lambda: sum(subject(mail).startswith("Top tray 41") for mail in mailbox.mails) >= 2)
        assert sum(bool(pictures_of(mail)) for mail in mailbox.mails) == 1


def test_without_the_library_nothing_is_asked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dispatch, "pictures_can", lambda: False)
    with Mailbox() as mailbox, kitchen(tmp_path, mailbox.url) as one:
        begin(one)
        heat(one)
        until(lambda: sum(subject(mail).startswith("Top tray 41") for mail in mailbox.mails) == 1)
        heat(one, 2)
        until(lambda: sum(subject(mail).startswith("Top tray 41") for mail in mailbox.mails) == 2)
        assert not any(pictures_of(mail) for mail in mailbox.mails)


def test_which_picture_goes_with_which_event() -> None:
    document = Document(0, units=Units(fahrenheit=True))
    site = event_row(1, 0, "alarm", "", "", "health/disk", {})
    alarm = event_row(2, 0, "alarm", "box", "b-1", "limit/bed/temperature/high", {})
    over = event_row(3, 0, "batch-harvest", "box", "b-1", "b-1", {})
    journal = Path("j")

    def hours_of(events: list[Event], urgent: bool) -> float | None:
        found = pictures.wanted(events, document, journal, urgent)
        assert found is not None
        return found.last_h

    assert pictures.wanted([site], document, journal, True) is None
    assert pictures.wanted([alarm], document, None, True) is None
    assert hours_of([site, alarm], True) == pictures.CALL_H
    assert hours_of([alarm], False) == pictures.TOLD_H
    assert hours_of([over], False) is None


def test_only_the_newest_few_pictures_wait_and_one_call_is_one_request() -> None:
    waiting = pictures.Following()
    picture = Wanted("j", "b", 8.0, fahrenheit=False, pounds=False, zone="UTC")
    for number in range(5):
        waiting.add(f"k{min(number, 3)}", picture, Service(f"phone-{number}", ""))
    first, second = waiting.take(), waiting.take()
    assert first is not None and second is not None
    assert [first.key, second.key] == ["k2", "k3"]
    assert [one.name for one in second.channels] == ["phone-3", "phone-4"]
    assert waiting.take() is None
