"""A card to wear out and to pull: ext4 on a loop device, with the kernel's counters. Needs root."""

from __future__ import annotations

import ctypes
import fcntl
import os
import struct
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path

import pytest

from tests.parts.need import need


class Card:
    """A mounted ext4 file system on a loop device over an image file."""

    def __init__(self, image: Path, folder: Path, device: str) -> None:
        self.image, self.folder = image, folder
        self.device_name = Path(device).name

    def fill(self) -> Path:
        """Uses up all its space with a file, which is returned."""
        filler = self.folder / "filler"
        with suppress(OSError), filler.open("wb", buffering=0) as file:
            for block in (1 << 16, 1 << 12, 1 << 9):
                with suppress(OSError):
                    while True:
                        file.write(bytes(block))
        return filler

    def make_read_only(self) -> None:
        """What ext4 does after an error of its own data: nothing can be written until it is mounted anew."""
        run("mount", "-o", "remount,errors=remount-ro", str(self.folder))
        Path(f"/sys/fs/ext4/{self.device_name}/trigger_fs_error").write_text("by a test")

    def break_down(self) -> None:
        """Every further access fails with an I/O error (EXT4_IOC_SHUTDOWN, without a flush)."""
        folder = os.open(self.folder, os.O_RDONLY)
        try:
            fcntl.ioctl(folder, 0x8004587D, struct.pack("I", 2))
        finally:
            os.close(folder)

    def freeze(self) -> None:
        """Whoever writes hangs until `thaw`, and cannot be killed meanwhile."""
        run("fsfreeze", "--freeze", str(self.folder))

    def thaw(self) -> None:
        run("fsfreeze", "--unfreeze", str(self.folder))

    def written(self) -> int:
        """Bytes written to the device so far (kernel, Documentation/block/stat.rst: field 7, sectors of 512 bytes)."""
        os.sync()
        return int((Path("/sys/block") / self.device_name / "stat").read_text().split()[6]) * 512


def run(*command: str) -> str:
    """Runs a command to its end; what it printed."""
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()


CLONE_NEWNS = 0x00020000
"""<linux/sched.h>; `os.unshare` is there from Python 3.12 on."""


@cache
def own_mounts() -> bool:
    """Gives this run mounts of its own, which the kernel undoes at any death; whether that is possible here.

    What a killed run left mounted in pytest's folder would stop every later one that clears it.
    """
    if ctypes.CDLL(None, use_errno=True).unshare(CLONE_NEWNS):
        return False
    return subprocess.run(["mount", "--make-rprivate", "/"], capture_output=True, check=False).returncode == 0


def need_root() -> None:
    """Skips the test where nothing can be mounted for this run alone."""
    if os.geteuid() != 0 or not own_mounts():
        pytest.skip("only root may mount")


@contextmanager
def new_card(above: Path, size_mb: int) -> Iterator[Card]:
    """Makes a card below a folder and mounts it."""
    need_root()
    need("mkfs.ext4")
    image = above / "card.img"
    with image.open("wb") as file:
        file.truncate(size_mb * 2**20)
    run(need("mkfs.ext4"), "-q", "-F", "-E", "lazy_itable_init=0,lazy_journal_init=0", str(image))
    with mounted(image, above / "card") as card:
        yield card


@contextmanager
def mounted(image: Path, folder: Path) -> Iterator[Card]:
    """Mounts an image for as long as the block lasts."""
    folder.mkdir()
    try:
        device = run("losetup", "--find", "--show", str(image))
    except subprocess.CalledProcessError as problem:
        pytest.skip(f"no loop device: {problem.stderr.strip()}")
    try:
        run("mount", device, str(folder))
    finally:
        run("losetup", "--detach", device)  # it goes with the mount
    try:
        yield Card(image, folder, device)
    finally:
        run("umount", str(folder))
