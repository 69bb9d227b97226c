"""deploy/packages.txt names whatever tests and scripts run, and deploy/test.sh goes by it."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.parts.commands import of_python, of_shell
from tests.parts.need import PACKAGES, PARTS, ROOT, do_without, need

EVERYWHERE = """
apt-config apt-get awk bash cat chmod chown chroot cmp cp cut date dirname dpkg env find fsfreeze getent grep
groupadd head id install ldconfig ln losetup ls mkdir mktemp mount mountpoint mv nproc paste readlink rm runuser sed
sh sha256sum sort stat tar tee touch tr true umount uname unshare useradd usermod xargs
"""
"""In packages that are essential or required in each Debian (Debian Policy, 2.5 and 3.8)."""
OWN = {"kojimon", "find_python", "find_python_behind", "make_environment"}
ONLY_WHERE_THERE = {"systemctl", "udevadm"}
"""Asked for by the scripts before they are used."""
SCRIPTS = sorted((ROOT / "deploy").rglob("*.sh"))


def test_whatever_is_run_is_named() -> None:
    known = set(EVERYWHERE.split()) | OWN | ONLY_WHERE_THERE | set(PACKAGES)
    run = {path: of_shell(path.read_text(encoding="utf-8")) for path in SCRIPTS}
    run |= {path: of_python(path) for path in sorted((ROOT / "tests").rglob("*.py"))}
    assert {str(path.relative_to(ROOT)): found - known for path, found in run.items() if found - known} == {}
    assert {name for name in PACKAGES if "/" not in name} <= set().union(*run.values()), "and nothing else"


def test_commands_are_found_in_a_shell_text() -> None:
    text = """
    said=$(sed -n 1p "$(dirname "$0")/x" | cut -d ' ' -f 1)   # not this
    make() { install -d x; }
    case $said in a | b) rm x ;; *) make ;; esac
    if ! command -v cc >/dev/null; then exec unshare --net sh -c 'ip link set lo up'; fi
    """
    assert of_shell(text) == {"sed", "dirname", "cut", "install", "rm", "cc", "unshare", "ip"}


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    """A copy of the scripts, and a folder with nothing on its path but what every Debian has."""
    shutil.copytree(ROOT / "deploy", tmp_path / "deploy")
    (tmp_path / "bin").mkdir()
    for name in ("sh", "dirname", "cat", "cut", "sort", "paste", "sed", "grep"):
        (tmp_path / "bin" / name).symlink_to(shutil.which(name) or "")
    identity = tmp_path / "bin" / "id"
    identity.write_text("#!/bin/sh\necho 1000\n")
    identity.chmod(0o755)
    (tmp_path / "deploy" / "packages.txt").write_text("no-such browser-package browser\nnot-here bus-package serial\n")
    return tmp_path


def run(bare: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["sh", bare / "deploy" / "test.sh", *words], capture_output=True, text=True, check=False,
        env={**os.environ, "PATH": str(bare / "bin")},
    )  # fmt: skip


def test_without_root_it_says_what_to_install_and_fails(bare: Path) -> None:
    done = run(bare)
    assert done.returncode == 1
    assert done.stderr.splitlines() == [
        "Missing, by Debian's names: browser-package bus-package",
        "Install them:      sudo apt-get install --no-install-recommends browser-package bus-package",
        "or do without:     sh deploy/test.sh --without browser --without serial",
    ]
    told = run(bare, "--without", "browser").stderr.splitlines()[0]
    assert told == "Missing, by Debian's names: bus-package"
    done = run(bare, "--without", "browser", "--without", "serial")
    assert "Missing" not in done.stderr and "none was found" in done.stderr, "then it looks for a Python"
    assert run(bare, "--without", "sauna").stderr == 'test.sh: "sauna" is no part of deploy/packages.txt\n'


def test_what_is_missing_fails_and_what_is_left_out_is_skipped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.parts.need.PATH", "/nowhere")
    monkeypatch.setattr("tests.parts.need._WITHOUT", set())
    for name, (package, _) in PACKAGES.items():
        if "/" not in name and ".so." not in name:
            with pytest.raises(pytest.fail.Exception, match=package):
                need(name)
    do_without(PARTS)
    for name in PACKAGES:
        with pytest.raises(pytest.skip.Exception, match="left out: --without"):
            need(name)


def test_the_readme_says_what_the_scripts_say_of_a_bare_machine() -> None:
    """deploy/prove-fresh.sh takes these three lines from there; the first is what is said where no Python is found."""
    section = (ROOT / "README.md").read_text(encoding="utf-8").split("## Try it", 1)[1].split("\n## ", 1)[0]
    lines = [line.split("#", 1)[0].strip() for line in section.splitlines()]
    install = next(line for line in lines if line.startswith("sudo apt install"))
    assert lines.index(install) < lines.index("sh deploy/start.sh") < lines.index("sh deploy/test.sh")
    assert f": {install}\"" in (ROOT / "deploy" / "python.sh").read_text(encoding="utf-8")
