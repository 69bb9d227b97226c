"""A broker, a mail server and a web receiver, each killed and brought back in mid-alarm."""

from __future__ import annotations

import threading
from pathlib import Path

from tests.alarms.build import HIGH
from tests.notify.test_dispatch import begin, heat, kitchen, receipts
from tests.parts.broker import Broker
from tests.parts.mailbox import Mailbox, text_of
from tests.parts.receiver import Receiver
from tests.parts.wait import until

CALL = "To stop this:"


def test_a_mail_server_that_comes_back_gets_the_call(tmp_path: Path) -> None:
    """Given provider errors or no network, then retries while active; one id for every copy."""
    with Mailbox() as mailbox, kitchen(tmp_path, mailbox.url) as one:
        begin(one)
        mailbox.stop()
        heat(one)
        until(lambda: receipts(one, "phone-1") == ["failed"])
        one.tick(5)
        until(lambda: receipts(one, "phone-1") == ["failed"] * 2)
        mailbox.start()
        one.tick(10)
        until(lambda: receipts(one, "phone-1")[-1] == "sent")
        (mail,) = [mail for mail in mailbox.mails if CALL in text_of(mail)]
        assert "Since " in text_of(mail)
        mailbox.answer = "451 not now"
        heat(one, 2)
        until(lambda: receipts(one, "phone-1")[-1] == "failed")
        mailbox.answer = "250 OK"

        def as_time_goes_on() -> bool:
            one.tick(5)
            return receipts(one, "phone-1")[-1] == "sent"

        until(as_time_goes_on)
        first, *others = [mail for mail in mailbox.mails if CALL in text_of(mail)]
        assert others and {mail["References"] for mail in others} == {first["References"]}


def listen(broker: Broker, topic: str, count: int) -> tuple[threading.Thread, list[str]]:
    from paho.mqtt import subscribe

    found: list[str] = []

    def work() -> None:
        got = subscribe.simple(topic, msg_count=count, hostname="127.0.0.1", port=broker.port, keepalive=5)  # type: ignore[no-untyped-call]
        found.extend(m.payload.decode() for m in (got if isinstance(got, list) else [got]))

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    return thread, found


def test_a_broker_that_comes_back_gets_the_call(tmp_path: Path) -> None:
    broker = Broker(tmp_path / "mqtt").start()
    try:
        url = f"mqtt://127.0.0.1:{broker.port}/house/told?qos=1&retain=yes"
        with kitchen(tmp_path, url) as one:
            begin(one)
            broker.kill()
            heat(one)
            until(lambda: receipts(one, "phone-1") == ["failed"])
            broker.start()
            one.tick(5)
            until(lambda: receipts(one, "phone-1")[-1] == "sent")
            thread, found = listen(broker, "house/told", 1)
            thread.join(60)
            assert "(limit 40)" in found[0]
    finally:
        broker.kill()


def test_a_web_receiver_killed_between_two_calls_is_told_elsewhere_and_gets_the_next(tmp_path: Path) -> None:
    with Receiver() as receiver, Receiver() as other, kitchen(tmp_path, receiver.url, other.url) as one:
        begin(one)
        heat(one)
        until(lambda: receipts(one, "phone-1") == ["sent"] and receipts(one, "phone-2") == ["sent"])
        receiver.stop()
        heat(one, 2)

        def as_time_goes_on(last: str) -> bool:
            one.tick(5)
            return len(receipts(one, "phone-2")) >= 2 and receipts(one, "phone-1")[-1] == last

        until(lambda: as_time_goes_on("failed"))
        receiver.start()
        until(lambda: as_time_goes_on("sent"))
        ids = {got.id for got in (*receiver.got, *other.got) if HIGH in got.id}
        assert ids == {f"box/{HIGH}#1"}
