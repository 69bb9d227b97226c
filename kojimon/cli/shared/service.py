"""The service that deploy/install.sh made, as set-up meets it: its folders, its user, starting it."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

from kojimon.cli.shared import screen
from kojimon.clock import real_s, wait_s
from kojimon.errors import KojimonError

if TYPE_CHECKING:
    from kojimon.web.client.local import Client

CONFIG: Final = Path("/etc/kojimon")
STATE: Final = Path("/var/lib/kojimon")
SECRETS: Final = "secrets"
NAME: Final = "kojimon"
SYSTEMD: Final = Path("/run/systemd/system")
READY_S: Final = 120.0
COMMAND_S: Final = 180.0


def for_service() -> bool:
    """Whether what is set up is the service: it is installed, and root asks."""
    return os.geteuid() == 0 and CONFIG.is_dir() and STATE.is_dir()


def secret_place(target: Path, name: str) -> Path:
    """Where a secret goes beside a settings file; the service's lie in a folder that only root can read."""
    folder = target.parent / SECRETS
    return folder / name if folder.is_dir() else target.with_name(name)


def hand_over(target: Path) -> None:
    """Lets the service read the settings, and nobody else but root. Raises KojimonError when its group is not there."""
    try:
        shutil.chown(target, group=NAME)
        target.chmod(0o640)
    except (OSError, LookupError) as error:
        raise KojimonError(
            f"{target} cannot be given to the group {NAME}: {error}. Run deploy/install.sh again."
        ) from error


def begin(find: Callable[[], Client]) -> bool:
    """Enables the service and starts it anew; waits until it answers. False without systemd: a chroot, a container.

    Args:
        find: looks where the daemon's socket is: the service's is there only once it runs.

    Raises KojimonError when it does not start; its own words are in the system log.
    """
    if not SYSTEMD.is_dir():
        screen.say(f"No systemd runs here. Where it does: systemctl enable --now {NAME}", "look")
        return False
    for words in (["enable", NAME], ["restart", NAME]):
        done = subprocess.run(["systemctl", *words], capture_output=True, text=True, timeout=COMMAND_S, check=False)
        if done.returncode:
            raise KojimonError(f"systemctl {' '.join(words)}: {done.stderr.strip()}\nSee: journalctl -u {NAME}")
    end_s = real_s() + READY_S
    while not find().running():
        if real_s() > end_s:
            raise KojimonError(f"The service does not answer within {READY_S:.0f} s. See: journalctl -u {NAME}")
        wait_s(0.5)
    screen.say("The service runs, and starts with the computer.", "good")
    return True
