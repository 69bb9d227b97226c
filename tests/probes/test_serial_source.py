"""Serial lines over real pseudo-terminals: unplugged, replugged, cut, noisy, endless."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from kojimon.clock import ManualClock
from kojimon.model import Arrival
from kojimon.probes.formats.routes import FIRST_LINE
from kojimon.probes.sources import serial as serial_source
from kojimon.probes.sources.serial import SerialLines
from kojimon.settings.spec import SerialSource
from tests.parts.pty import Device
from tests.parts.wait import until


@pytest.fixture
def device(tmp_path: Path) -> Iterator[Device]:
    with Device(tmp_path) as one:
        yield one


class Desk:
    """Collects what a source hands over."""

    def __init__(self) -> None:
        self.arrivals: list[Arrival] = []

    def put(self, arrival: Arrival) -> bool:
        self.arrivals.append(arrival)
        return True

    @property
    def lines(self) -> list[bytes]:
        return [arrival.payload for arrival in self.arrivals if isinstance(arrival.payload, bytes)]


class Reading:
    """A running source and what it handed over."""

    def __init__(self, path: Path, clock: ManualClock | None = None, form: str = "json") -> None:
        self.desk = Desk()
        self.source = SerialLines(SerialSource("port", str(path), form), clock or ManualClock(0, boot_ms=5000))

    def __enter__(self) -> "Reading":
        self.source.start(self.desk.put, self.desk.put)
        return self

    def __exit__(self, *_: object) -> None:
        self.source.stop()

    def ready(self, opened: int = 1) -> "Reading":
        until(lambda: self.source.facts().opened >= opened and self.source.facts().ok, what="port opened")
        return self


def test_whole_lines_arrive_stamped_and_the_first_does_not(device: Device) -> None:
    with Reading(device.path) as reading:
        reading.ready()
        device.send(b'1.4}\n{"bed":31.4}\r\n{"bed":3')
        until(lambda: reading.desk.lines)
        device.send(b"1.5}\n")
        until(lambda: len(reading.desk.lines) == 2)
        assert reading.desk.arrivals[0] == Arrival("port", 5000, "", b'{"bed":31.4}')
        assert reading.desk.lines[1] == b'{"bed":31.5}'
        assert reading.source.facts().lines_first == 1


@pytest.mark.slow
def test_a_line_cut_at_any_byte_by_unplugging_gives_no_reading(device: Device) -> None:
    line = b"T=131.4\n"
    with Reading(device.path, form="keys") as reading:
        reading.ready()
        for cut in range(1, len(line)):
            number = device.number
            device.send(b"\n" + line + line[:cut])
            until(lambda cut=cut: len(reading.desk.lines) == cut, what=f"line before cut {cut}")  # type: ignore[misc]
            device.unplug()
            until(lambda: not reading.source.facts().ok)
            device.plug()
            reading.ready(cut + 1)
            device.send(line[cut:])
            assert number  # the kernel may or may not give the same number again; both must work
        assert reading.desk.lines == [b"T=131.4"] * (len(line) - 1)


def test_a_device_that_comes_back_under_another_number_is_found(device: Device, tmp_path: Path) -> None:
    with Reading(device.path) as reading:
        reading.ready()
        old = device.number
        device.unplug()
        until(lambda: "gone" in reading.source.facts().trouble or "no such" in reading.source.facts().trouble)
        with Device(tmp_path, "squatter") as squatter:
            device.plug()
            assert squatter.number == old
            assert device.number != old
            reading.ready(2)
            device.send(b'\n{"bed":31.4}\n')
            until(lambda: reading.desk.lines == [b'{"bed":31.4}'])


def test_a_name_that_leads_elsewhere_without_an_error_is_followed(device: Device, tmp_path: Path) -> None:
    with Reading(device.path) as reading, Device(tmp_path, "second") as second:
        reading.ready()
        device.path.unlink()
        device.path.symlink_to(second.number)
        second_opened = reading.ready(2)
        second.send(b'\n{"bed":31.4}\n')
        until(lambda: second_opened.desk.lines == [b'{"bed":31.4}'])


def test_a_missing_device_is_told_with_what_to_do(tmp_path: Path) -> None:
    with Reading(tmp_path / "nothing") as reading:
        until(lambda: "plug it in" in reading.source.facts().trouble)
        assert reading.source.facts().ok is False


def test_a_file_that_is_no_port_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("31.4\n")
    with Reading(tmp_path / "file") as reading:
        until(lambda: "cannot be opened" in reading.source.facts().trouble)


def test_the_port_is_ours_alone(device: Device) -> None:
    with Reading(device.path) as first, Reading(device.path) as second:
        until(lambda: first.source.facts().ok or second.source.facts().ok)
        until(lambda: any("another program" in one.source.facts().trouble for one in (first, second)))


def test_after_stop_another_can_have_the_port(device: Device) -> None:
    with Reading(device.path) as first:
        first.ready()
    with Reading(device.path) as second:
        second.ready()
        device.send(b"\nx\n")
        until(lambda: second.desk.lines == [b"x"])


def test_noise_without_line_ends_is_bounded_and_counted(device: Device) -> None:
    with Reading(device.path) as reading:
        reading.ready()
        device.send(b"\n")
        for _ in range(20):
            device.send(b"\xff" * 1000)
        until(lambda: reading.source._lines._over)
        device.send(b"\n\xfe\xff\n{}\n")
        until(lambda: reading.desk.lines == [b"{}"])
        facts = reading.source.facts()
        assert (facts.lines_over_long, facts.lines_binary) == (1, 1)


def test_a_trickle_of_single_bytes_keeps_the_worker_alive_and_makes_one_line(device: Device) -> None:
    with Reading(device.path) as reading:
        reading.ready()
        device.send(b"\n")
        before_s = reading.source.heartbeat_s()
        for number, byte in enumerate(b"T=31.4"):
            device.send(bytes([byte]))
            until(lambda number=number: len(reading.source._lines._rest) == number + 1)  # type: ignore[misc]
        assert reading.desk.lines == []
        device.send(b"\n")
        until(lambda: reading.desk.lines == [b"T=31.4"])
        assert reading.source.heartbeat_s() > before_s


def test_a_mute_port_is_opened_again_and_told(device: Device, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_source, "MUTE_S", 0.2)
    with Reading(device.path) as reading:
        until(lambda: "no whole line" in reading.source.facts().trouble)
        until(lambda: reading.source._muted >= 1 and reading.source._muted_now)

        def heard() -> bool:
            device.send(b"\nx\n")
            return b"x" in reading.desk.lines

        until(heard)
        until(lambda: reading.source.facts().ok)


def test_a_csv_header_on_the_first_line_is_handed_over_for_its_names(device: Device) -> None:
    with Reading(device.path, form="csv") as reading:
        reading.ready()
        device.send(b"bed,rh\n31.4,80\n")
        until(lambda: len(reading.desk.lines) == 2)
        assert [arrival.topic for arrival in reading.desk.arrivals] == [FIRST_LINE, ""]


def test_a_line_that_the_intake_cannot_keep_is_counted(device: Device) -> None:
    with Reading(device.path) as reading:
        reading.ready().source.start(lambda arrival: False, lambda arrival: False)
        reading.ready(2)
        device.send(b"\nx\ny\n")
        until(lambda: reading.source.facts().dropped == 2)


def test_a_name_that_the_kernel_hands_out_is_advised_against() -> None:
    source = SerialLines(SerialSource("port", "/dev/ttyUSB0"), ManualClock(0))
    assert "by-id" in source.facts().advice
    assert SerialLines(SerialSource("port", "/dev/serial/by-id/x"), ManualClock(0)).facts().advice == ""
