"""A root of its own to install into: this machine's file system below, whatever is written goes into a folder."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]
SHIPPED = ("kojimon", "sim", "config", "deploy", "pyproject.toml", "README.md", "LICENSE")
INSIDE = "/kojimon-source"
"""Where the source is seen inside."""

_ENTER = f"""
set -eu
mount --make-rprivate /
mount -t overlay overlay -o lowerdir=/,upperdir="$1/upper",workdir="$1/work" "$1/root"
mkdir -p "$1/root{INSIDE}"
mount --bind -o ro "$2" "$1/root{INSIDE}"
mount -t proc proc "$1/root/proc"
mount --rbind /dev "$1/root/dev"
mount -t tmpfs tmpfs "$1/root/run"
root="$1/root"
shift 2
exec chroot "$root" "$@"
"""

_UNSHARE = ("unshare", "--mount", "sh", "-c")


class Root:
    """See the module text. Needs root, mount namespaces and overlayfs; `wanted` says so.

    Args:
        folder: a new folder on a disk (overlayfs cannot lie on overlayfs), or that of a root made before.
        like: another root, as a copy of which this one begins. Its files are hard links: whatever installs or
            upgrades puts a new file in the place of an old one, and leaves those of the other root alone.
    """

    def __init__(self, folder: Path, like: Root | None = None) -> None:
        self.folder, self.source = folder, folder / "source"
        if folder.exists():
            return
        for name in ("work", "root", "source"):
            (folder / name).mkdir(parents=True)
        if like is None:
            self.upper.mkdir()
        else:
            subprocess.run(["cp", "-al", like.upper, self.upper], check=True)
        for name in SHIPPED:
            _copy(REPOSITORY / name if like is None else like.source / name, self.source / name)

    @property
    def upper(self) -> Path:
        """What was written."""
        return self.folder / "upper"

    def run(self, *words: str, good: bool = True, **environment: str) -> subprocess.CompletedProcess[str]:
        """Runs a command inside; fails the test when it fails and `good` is asked for."""
        # Below lies the home of whoever runs the tests; the users inside have one of their own for what they keep.
        outer = {name: value for name, value in os.environ.items() if name != "XDG_STATE_HOME"}
        environment = {"XDG_CONFIG_HOME": "/none", **environment}
        done = subprocess.run(
            [*_UNSHARE, _ENTER, "enter", str(self.folder), str(self.source), *words],
            capture_output=True, text=True, timeout=900, env={**outer, **environment}, stdin=subprocess.DEVNULL,
            check=False,
        )  # fmt: skip
        assert not good or done.returncode == 0, f"{words}: {done.stdout[-2000:]}\n{done.stderr[-2000:]}"
        return done

    def write(self, path: str, text: str) -> None:
        """Writes a file inside."""
        self.run("sh", "-c", 'printf %s "$1" >"$2"', "write", text, path)


def root_or_skip(folder: Path) -> Root:
    """A root, or the test is skipped with the reason."""
    if os.geteuid() != 0:
        pytest.skip("only root may mount and chroot")
    made = Root(folder)
    tried = made.run("true", good=False)
    if tried.returncode:
        pytest.skip(f"no root of its own can be made here: {tried.stderr.strip()[-200:]}")
    return made


def _copy(source: Path, target: Path) -> None:
    if source.is_dir():
        shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__", "*.egg-info"))
    else:
        shutil.copy(source, target)
