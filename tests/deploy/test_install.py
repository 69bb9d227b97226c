"""Install, install again, upgrade, refuse, uninstall: the real script with its real commands, in a root of its own."""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import stat
import subprocess
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.deploy.root import INSIDE, REPOSITORY, Root, root_or_skip

pytestmark = pytest.mark.slow(10)
INSTALL = ("sh", f"{INSIDE}/deploy/install.sh")
SETTINGS = "/etc/kojimon/kojimon.yaml"


@pytest.fixture(scope="session")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Root:
    """A first install, with everything, once for all workers of this run. Nobody writes to it after that."""
    base = tmp_path_factory.getbasetemp()
    base = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
    folder, done = base / "installed", base / "installed.done"
    with (base / "installed.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not done.exists():
            shutil.rmtree(folder, ignore_errors=True)
            said = root_or_skip(folder).run(*INSTALL, SUDO_USER="").stdout
            assert said.splitlines()[-1] == "Installed. Next: sudo kojimon setup"
            done.touch()
    return Root(folder)


@pytest.fixture(scope="module")
def untouched(installed: Root, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Root]:
    """A copy of what was installed, for those who change nothing."""
    root = Root(tmp_path_factory.mktemp("untouched") / "root", installed)
    yield root
    shutil.rmtree(root.folder)


@pytest.fixture
def own(installed: Root, tmp_path: Path) -> Iterator[Root]:
    """A copy of what was installed."""
    root = Root(tmp_path / "own", installed)
    yield root
    shutil.rmtree(root.folder)


def change(root: Root, text: str) -> None:
    """Another version of the program."""
    with (root.source / "kojimon" / "__init__.py").open("a") as file:
        file.write(f"# {text}\n")


def release(root: Root) -> str:
    return root.run("readlink", "/opt/kojimon/current").stdout.strip()


def mode(path: Path) -> str:
    return oct(stat.S_IMODE(path.stat().st_mode))


def test_everything_is_where_the_conventions_want_it(installed: Root, untouched: Root) -> None:
    up = installed.upper
    user = untouched.run("id", "kojimon").stdout
    assert "(kojimon)" in user and "(dialout)" in user and "(audio)" in user
    account = untouched.run("getent", "passwd", "kojimon").stdout.strip().split(":")
    assert account[5:] == ["/var/lib/kojimon", "/usr/sbin/nologin"] and int(account[2]) < 1000, "a system user"
    assert untouched.run("stat", "-c", "%U:%G %a", "/var/lib/kojimon").stdout == "kojimon:kojimon 750\n"
    assert untouched.run("stat", "-c", "%U:%G %a", "/etc/kojimon/secrets").stdout == "root:root 700\n"
    for shipped, target in (
        ("kojimon.service", "etc/systemd/system/kojimon.service"),
        ("kojimon.rules", "etc/udev/rules.d/70-kojimon.rules"),
        ("journald.conf", "etc/systemd/journald.conf.d/50-kojimon.conf"),
    ):
        assert (up / target).read_text() == (installed.source / "deploy" / shipped).read_text()
        assert mode(up / target) == "0o644"
    assert untouched.run("kojimon", "--version").stdout.startswith("kojimon 0.")
    assert untouched.run("stat", "-c", "%U", "/opt/kojimon/current/bin/python").stdout == "root\n"
    libraries = up / "opt/kojimon/release-1/lib"
    assert list(libraries.rglob("kojimon/daemon/__pycache__/run.*.opt-2.pyc")), "compiled as the unit runs it"
    assert list(libraries.rglob("starlette/__pycache__/routing.*.opt-2.pyc")), "and its libraries"
    assert list(libraries.rglob("kojimon/web/page/templates/__pycache__/*.opt-2.pyc")), "and its templates"
    assert not list((up / "opt/kojimon/release-1").glob("source.build")), "nothing of the building is left"


def wheel(folder: Path, name: str, version: str) -> None:
    """An empty package, so that a folder of packages is no empty one."""
    about = f"{name}-{version}.dist-info"
    with zipfile.ZipFile(folder / f"{name}-{version}-py3-none-any.whl", "w") as made:
        made.writestr(f"{about}/METADATA", f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n")
        made.writestr(f"{about}/WHEEL", "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n")
        made.writestr(f"{about}/RECORD", "")


def test_where_a_library_must_be_compiled_that_is_said_before_anything_is_built(own: Root) -> None:
    """As on 32-bit ARM: neither msgspec nor numpy comes ready-made, and there is no compiler."""
    was = release(own)
    change(own, "newer")
    (own.upper / "packages").mkdir()
    wheel(own.upper / "packages", "click", "8.1.7")
    own.run("rm", "-f", "/usr/bin/cc", "/usr/local/bin/cc")
    told = own.run(*INSTALL, "--wheels", "/packages", good=False)
    assert told.returncode == 1
    assert "numpy, which the forecast wants, does not come ready-made" in told.stdout
    assert "The library msgspec does not come ready-made for this computer" in told.stdout
    assert told.stderr == (
        "install.sh: nothing was installed. Run this: sudo apt install gcc python3-dev && "
        "sudo sh deploy/install.sh --parts mirror,modbus,services\n"
    )
    assert "Making the program" not in told.stdout
    assert release(own) == was
    assert own.run("ls", "/opt/kojimon").stdout.split() == ["current", "release-1"]

    told = own.run(*INSTALL, "--wheels", "/packages", "--parts", "none", good=False)
    assert told.stderr.endswith("apt install gcc python3-dev && sudo sh deploy/install.sh --parts none\n")
    assert "numpy" not in told.stdout


def test_the_shells_complete_its_commands(installed: Root, untouched: Root) -> None:
    """click's own completion; asked as bash asks it."""
    file = installed.upper / "usr/local/share/bash-completion/completions/kojimon"
    assert "_KOJIMON_COMPLETE=bash_complete" in file.read_text()
    assert (installed.upper / "usr/local/share/zsh/site-functions/_kojimon").read_text().startswith("#compdef kojimon")
    ask = 'COMP_WORDS=(kojimon sta); COMP_CWORD=1; source "$1"; _kojimon_completion kojimon; echo "${COMPREPLY[@]}"'
    found = untouched.run("bash", "-c", ask, "ask", f"/{file.relative_to(installed.upper)}")
    assert found.stdout == "status\n"


def test_a_second_run_changes_nothing(untouched: Root) -> None:
    before = release(untouched)
    done = untouched.run(*INSTALL)
    assert "The program is up to date." in done.stdout and release(untouched) == before


def heavy(root: Root) -> set[str]:
    """The heavy libraries that are installed; paho-mqtt, which is none, is there too."""
    there = root.run("sh", "-c", "ls /opt/kojimon/current/lib/python3*/site-packages").stdout.split()
    assert "paho" in there
    return {"numpy", "influxdb_client", "pymodbus", "apprise"} & set(there)


def newer(root: Root) -> None:
    """A version that keeps one more setting, and so writes last good settings and journal in another form."""
    spec = root.source / "kojimon" / "settings" / "spec.py"
    text, line = spec.read_text(), '    run_folder: str = ""\n'
    assert text.endswith(line)
    spec.write_text(f"{text}    newer: tuple[int, ...] = (1,)\n")


def test_an_open_batch_goes_through_an_upgrade_a_refused_one_and_the_way_back(own: Root) -> None:
    """Its data are kept; a bad edit meets it in the old version, in the new one, and back in the old one. The new one
    leaves out the heavy parts, as for a small computer: a batch runs without them too."""
    root, was = own, release(own)
    assert heavy(root) == {"numpy", "influxdb_client", "pymodbus", "apprise"}
    said = root.run("kojimon", "setup", "--yes", "--source", "simulated", "--zone", "Europe/Berlin").stdout
    assert f"Written and checked: {SETTINGS}" in said and "No systemd runs here" in said
    assert root.run("stat", "-c", "%U:%G %a", SETTINGS).stdout == "root:kojimon 640\n"
    root.write("/etc/kojimon/secrets/phone-url", "mailto://somewhere\n")
    settings = root.upper / SETTINGS.lstrip("/")
    good = settings.read_text().replace("kind: simulated", "kind: simulated\n    hours: 1")
    kojimon = ("runuser", "-u", "kojimon", "--", "kojimon", "--config", SETTINGS)
    run = (*kojimon[:5], "run", "--quiet", "--config", SETTINGS)
    settings.write_text(good)
    root.run(*run)

    def goes_on_after_a_bad_edit() -> None:
        settings.write_text(f"{good}\nsurprise: 1\n")
        root.run(*run)
        settings.write_text(good)
        state = json.loads(root.run(*kojimon, "status", "--json").stdout)
        assert state["incubators"][0]["batch"] is not None
        assert "health/settings" in {alarm["key"] for alarm in state["alarms"]}
        root.run(*run)  # and with the mended file

    goes_on_after_a_bad_edit()
    newer(root)
    done = root.run(*INSTALL, "--parts", "none")
    assert "is in order" in done.stdout and "has the form of version" in done.stdout
    now = release(root)
    assert now != was and not heavy(root)
    assert "The program is up to date." in root.run(*INSTALL).stdout, "what was left out stays so"
    assert root.run("cat", "/etc/kojimon/secrets/phone-url").stdout == "mailto://somewhere\n"
    owner = root.run("stat", "-c", "%U", "/var/lib/kojimon/before-upgrade/kojimon.journal.1").stdout
    assert owner == "kojimon\n", "a copy from before"
    assert root.run(f"{was}/bin/kojimon", "--version"), "the program from before, to go back to"
    assert root.run("find", "/var/lib/kojimon", "-not", "-user", "kojimon").stdout == ""
    goes_on_after_a_bad_edit()
    settings.write_text(f"{good}\nchannels: {{phone: {{kind: service, url: {{file: phone}}}}}}\n")
    said = root.run("kojimon", "check", good=False)
    assert said.returncode == 2 and "install.sh --parts all" in said.stderr
    root.run("kojimon", "setup", "--yes", "--source", "simulated", "-o", "/etc/kojimon/small.yaml")

    settings.write_text(f"{good}\nsurprise: 1\n")
    change(root, "changed again")
    done = root.run(*INSTALL, good=False)
    assert done.returncode == 1
    assert "surprise" in done.stderr and "the old one stays in use" in done.stdout
    assert release(root) == now
    assert root.run("ls", "/opt/kojimon").stdout.split() == ["current", *sorted(Path(one).name for one in (was, now))]

    settings.write_text(good)
    root.run("ln", "-sfn", was, "/opt/kojimon/current")
    goes_on_after_a_bad_edit()


def test_uninstall_leaves_data_and_says_where(own: Root) -> None:
    root = own
    done = root.run(*INSTALL, "--uninstall")
    assert "/var/lib/kojimon    the journal" in done.stdout and "/etc/kojimon        settings" in done.stdout
    gone = ("/opt/kojimon", "/usr/local/bin/kojimon", "/etc/systemd/system/kojimon.service",
            "/etc/udev/rules.d/70-kojimon.rules", "/etc/systemd/journald.conf.d/50-kojimon.conf",
            "/usr/local/share/bash-completion/completions/kojimon")  # fmt: skip
    assert root.run("ls", "-d", *gone, good=False).stderr.count("No such file or directory") == len(gone)
    assert root.run("ls", "/etc/kojimon").stdout == "secrets\n"
    assert "(kojimon)" in root.run("id", "kojimon").stdout
    root.run(*INSTALL, "--uninstall")


def test_into_another_root_by_chroot(own: Root) -> None:
    """A card that is being prepared: the same script inside, nothing left behind but what it installs."""
    root = own
    done = root.run("sh", "-c", f"mkdir /card && mount --rbind / /card && {' '.join(INSTALL)} --root /card")
    assert "The program is up to date." in done.stdout
    assert not (root.upper / "opt/kojimon.source").exists()


@pytest.mark.parametrize(
    ("words", "code", "text"),
    [
        (("--help",), 0, "--uninstall    take program and service away"),
        (("--sideways",), 2, "install.sh: --sideways is no option of mine"),
        (("--root", "/nowhere"), 1, 'install.sh: --root wants a folder that is there, not "/nowhere"'),
        (("--parts", "mirror,sauna"), 1, 'install.sh: --parts wants all, none, or some of'),
        (("--parts", ""), 1, 'not ""'),
        (("--wheels",), 1, 'install.sh: --wheels wants a folder that is there, not ""'),
    ],
)
def test_wrong_use_is_said(words: tuple[str, ...], code: int, text: str) -> None:
    script = REPOSITORY / "deploy" / "install.sh"
    done = subprocess.run(["sh", str(script), *words], capture_output=True, text=True, check=False)
    assert done.returncode == code and text in done.stdout + done.stderr
