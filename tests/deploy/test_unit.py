"""Each promise of the unit, read from the file itself; systemd's own judgement of it where systemd is there."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections import defaultdict
from pathlib import Path

import pytest

from tests.bench.figures import record
from tests.parts.need import need

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
UNIT = DEPLOY / "kojimon.service"
SCORE_MOST = 2.0


def options(path: Path) -> dict[str, list[str]]:
    """`Section.Key` -> its values in order (systemd.syntax(7): no sections twice here, no continued lines)."""
    found: defaultdict[str, list[str]] = defaultdict(list)
    section = ""
    for line in path.read_text().splitlines():
        if line.startswith("["):
            section = line.strip("[]")
        elif line and not line.startswith("#"):
            key, _, value = line.partition("=")
            found[f"{section}.{key}"].append(value)
    return found


PROMISES = {
    "readiness is told, not guessed": ("Service.Type", ["notify"]),
    "only the daemon itself tells it": ("Service.NotifyAccess", ["main"]),
    "a hung daemon is ended": ("Service.WatchdogSec", ["60"]),
    "it comes back": ("Service.Restart", ["always"]),
    "after five seconds": ("Service.RestartSec", ["5"]),
    "however often": ("Unit.StartLimitIntervalSec", ["0"]),
    "an own user": ("Service.User", ["kojimon"]),
    "the state folder by the conventions": ("Service.StateDirectory", ["kojimon"]),
    "the run folder by the conventions": ("Service.RuntimeDirectory", ["kojimon"]),
    "only its group may knock": ("Service.RuntimeDirectoryMode", ["0750"]),
    "secrets as credentials": ("Service.LoadCredential", ["secrets:/etc/kojimon/secrets"]),
    "memory is bounded": ("Service.MemoryMax", ["320M"]),
    "and pressed before": ("Service.MemoryHigh", ["256M"]),
    "one heap for all threads, no docstrings": (
        "Service.Environment", ["PYTHONDONTWRITEBYTECODE=1", "MALLOC_ARENA_MAX=1", "PYTHONOPTIMIZE=2",
                                "PYTHONTZPATH=/usr/share/zoneinfo"],
    ),
    "files are bounded": ("Service.LimitNOFILE", ["1024"]),
    "processes are bounded": ("Service.TasksMax", ["128"]),
    "a child that is ended does not end all": ("Service.OOMPolicy", ["continue"]),
    "its log is bounded": ("Service.LogRateLimitBurst", ["200"]),
    "no device but those named": ("Service.DevicePolicy", ["closed"]),
    "no capability": ("Service.CapabilityBoundingSet", [""]),
    "no new rights": ("Service.NoNewPrivileges", ["yes"]),
    "the system is read-only": ("Service.ProtectSystem", ["strict"]),
    "it starts with the machine": ("Install.WantedBy", ["multi-user.target"]),
    "nothing runs before it is set up": ("Unit.ConditionPathExists", ["/etc/kojimon/kojimon.yaml"]),
}


@pytest.mark.parametrize("promise", PROMISES)
def test_promise(promise: str) -> None:
    key, wanted = PROMISES[promise]
    assert options(UNIT)[key] == wanted


def test_devices_by_class_so_that_one_plugged_in_later_counts() -> None:
    """A path in DeviceAllow does not outlast a replug, a class does (systemd.resource-control(5))."""
    allowed = options(UNIT)["Service.DeviceAllow"]
    assert allowed and all(re.fullmatch(r"char-\w+ rw", line) for line in allowed)
    assert {"char-ttyUSB rw", "char-ttyACM rw", "char-ttyAMA rw", "char-alsa rw"} <= set(allowed)


def test_it_is_ordered_after_network_and_time_and_waits_for_neither() -> None:
    """network-online.target and time-sync.target may take for ever; what is After= only, is never pulled in."""
    unit = options(UNIT)
    after = unit["Unit.After"][0].split()
    assert {"network.target", "time-set.target", "systemd-timesyncd.service", "chrony.service"} <= set(after)
    assert not {"network-online.target", "time-sync.target"} & set(after)
    assert not any(unit.get(f"Unit.{key}") for key in ("Wants", "Requires", "BindsTo", "Requisite"))


def test_boot_id_stays_readable() -> None:
    """ProcSubset=pid would hide /proc/sys, and with it the boot's name."""
    assert "Service.ProcSubset" not in options(UNIT)


def test_the_daemon_s_own_end_fits_into_systemd_s_patience() -> None:
    from kojimon.daemon import run

    own_s = run.SOURCES_S + run.CORE_S + run.COMMIT_S + 4 * run.CHILDREN_S + run.API_S + run.CORE_S + run.COMMIT_S
    assert own_s < 1.2 * float(options(UNIT)["Service.TimeoutStopSec"][0])


def analyze(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([need("systemd-analyze"), *words], capture_output=True, text=True, check=False)


def test_systemd_finds_nothing_wrong_with_it(tmp_path: Path) -> None:
    """`systemd-analyze verify`, with a program that is there."""
    text = UNIT.read_text().replace("/opt/kojimon/current/bin/kojimon", shutil.which("true") or "/bin/true")
    (tmp_path / "kojimon.service").write_text(text)
    done = analyze("verify", "--man=no", tmp_path / "kojimon.service")
    mine = [line for line in done.stderr.splitlines() if "kojimon" in line]
    assert (done.returncode, mine) == (0, [])


def exposure() -> str:
    """What systemd says of the unit: 0.0 for shut, 10.0 for open."""
    done = analyze("security", "--offline=true", "--no-pager", UNIT)
    if "offline" in done.stderr:
        pytest.skip("this systemd-analyze cannot judge a file")
    score = re.search(r"Overall exposure level for kojimon\.service: ([\d.]+)", done.stdout)
    assert score is not None
    return score[1]


def test_systemd_s_security_score() -> None:
    """The aim is 2.0 or lower; what is left is network, local sockets and the devices it reads."""
    assert float(exposure()) <= SCORE_MOST


@pytest.mark.bench
def test_the_score_is_a_figure() -> None:
    record("security score of the unit", exposure())


def test_the_log_is_bounded_beside_it() -> None:
    limits = options(DEPLOY / "journald.conf")
    assert limits["Journal.SystemMaxUse"] == ["64M"] and limits["Journal.RuntimeMaxUse"] == ["16M"]


RULE = re.compile(r'(?P<key>[A-Z_]+(\{[A-Za-z_]+\})?)(?P<how>==|!=|\+=|=)"(?P<value>[^"]*)"')


def matches(rules: Path, device: dict[str, str]) -> dict[str, list[str]]:
    """What the rules give a device: the few operators of udev(7) that they use, worked out by hand."""
    given: defaultdict[str, list[str]] = defaultdict(list)
    skip_to = ""
    for line in rules.read_text().splitlines():
        parts = [part.groupdict() for part in RULE.finditer(line)] if line and not line.startswith("#") else []
        if skip_to:
            skip_to = "" if any(part["key"] == "LABEL" and part["value"] == skip_to for part in parts) else skip_to
            continue
        tests = [part for part in parts if part["how"] in ("==", "!=")]
        if not all(_holds(part, device) for part in tests):
            continue
        for part in parts:
            if part["key"] == "GOTO":
                skip_to = part["value"]
            elif part["how"] in ("+=", "="):
                text = re.sub(r"\$env\{(\w+)\}", lambda env: device.get(f"ENV{{{env[1]}}}", ""), part["value"])
                given[part["key"]].append(text)
    return dict(given)


def _holds(part: dict[str, str], device: dict[str, str]) -> bool:
    pattern = re.escape(part["value"]).replace(r"\*", ".*").replace(r"\?", ".")
    found = re.fullmatch(pattern, device.get(part["key"], "")) is not None
    return found == (part["how"] == "==")


ADAPTER = {
    "ACTION": "add", "SUBSYSTEM": "tty", "KERNEL": "ttyUSB0", "ENV{ID_SERIAL_SHORT}": "A10K3B",
    "ENV{ID_USB_INTERFACE_NUM}": "00", "ENV{ID_PATH_TAG}": "platform-3f980000_usb-usb-0_1_2_1_0",
}  # fmt: skip


@pytest.mark.parametrize(
    ("device", "names"),
    [
        ({}, ["kojimon/serial-A10K3B", "kojimon/socket-platform-3f980000_usb-usb-0_1_2_1_0"]),
        ({"KERNEL": "ttyACM3", "ENV{ID_SERIAL_SHORT}": ""}, ["kojimon/socket-platform-3f980000_usb-usb-0_1_2_1_0"]),
        ({"ENV{ID_USB_INTERFACE_NUM}": "01", "ENV{ID_PATH_TAG}": ""}, ["kojimon/serial-A10K3B-01"]),
        ({"KERNEL": "ttyS0"}, None),
        ({"SUBSYSTEM": "usb"}, None),
        ({"ACTION": "remove"}, None),
    ],
)
def test_serial_adapters_get_names_that_stay_and_the_group(device: dict[str, str], names: list[str] | None) -> None:
    given = matches(DEPLOY / "kojimon.rules", {**ADAPTER, **device})
    assert given.get("SYMLINK") == names
    assert given.get("GROUP") == (["dialout"] if names else None)


def test_shell_scripts_are_clean() -> None:
    scripts = sorted(DEPLOY.rglob("*.sh"))
    done = subprocess.run([need("shellcheck"), "-s", "sh", *scripts], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
