"""What the search opened is closed when it ends, whether it found something, nothing, or a door that would not open."""

from __future__ import annotations

import gc
import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from kojimon.clock import SystemClock
from kojimon.links.mqtt import Address
from kojimon.links.serial_port import SerialPort
from kojimon.probes.finding.look import find_kernel, listen_mqtt, listen_serial
from tests.parts.broker import Broker, free_port
from tests.parts.pty import Device
from tests.probes.trees import BROKEN, SOUND, plant


def opened(act: Callable[[], object]) -> dict[str, str]:
    """What is open after an act that was not before, by descriptor; the first time warms up what stays for good."""
    act()
    gc.collect()
    before = _open()
    act()
    gc.collect()
    return {number: what for number, what in _open().items() if before.get(number) != what}


def _open() -> dict[str, str]:
    found = {}
    for link in Path("/proc/self/fd").iterdir():
        with suppress(FileNotFoundError):
            found[link.name] = str(link.readlink())
    return found


def test_ports_that_are_silent_missing_or_taken(tmp_path: Path) -> None:
    with Device(tmp_path) as device:
        assert opened(lambda: listen_serial(device.path, SystemClock(), 0.1)) == {}
        taken = SerialPort(str(device.path))
        assert opened(lambda: listen_serial(device.path, SystemClock(), 0.1)) == {}
        taken.close()
    assert opened(lambda: listen_serial(tmp_path / "none", SystemClock(), 0.1)) == {}
    (tmp_path / "file").touch()
    assert opened(lambda: listen_serial(tmp_path / "file", SystemClock(), 0.1)) == {}


def test_a_port_whose_device_is_pulled_out(tmp_path: Path) -> None:
    def pulled() -> None:
        with Device(tmp_path) as device:
            port = SerialPort(str(device.path))
        port.close()

    assert opened(pulled) == {}


def test_a_port_that_the_system_closed_badly(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """close() of a pulled adapter may say EIO; the descriptor is gone all the same, and the pipes must follow it."""
    close = os.close

    def pulled() -> None:
        with Device(tmp_path) as device, monkeypatch.context() as context:
            port = SerialPort(str(device.path))

            def failing(number: int) -> None:
                terminal = "/pts/" in str(Path(f"/proc/self/fd/{number}").readlink())
                close(number)
                if terminal:
                    raise OSError(5, "Input/output error")

            context.setattr(os, "close", failing)
            port.close()

    assert opened(pulled) == {}


def test_sensor_files(tmp_path: Path) -> None:
    plant(tmp_path, SOUND | BROKEN)
    assert opened(lambda: find_kernel(tmp_path)) == {}


def test_brokers_that_are_there_or_not(tmp_path: Path) -> None:
    assert opened(lambda: listen_mqtt(Address("127.0.0.1", free_port()), SystemClock(), 0.3, "finder")) == {}
    with Broker(tmp_path / "broker") as broker:
        assert opened(lambda: listen_mqtt(Address("127.0.0.1", broker.port), SystemClock(), 0.3, "finder")) == {}
