"""The daemon's own door on this machine: a Unix socket whose file permission decides who may come in.

Both sides work the path out from the journal's path, so that a command finds the daemon that holds its journal.
"""

from __future__ import annotations

import hashlib
import ipaddress
import os
import socket
import tempfile
from pathlib import Path

from kojimon.errors import KojimonError
from kojimon.sockets import name_of

SERVICE_FOLDER = Path("/run/kojimon")
"""Run folder of the service (RuntimeDirectory of the unit)."""
SOCKET_MODE = 0o660
BACKLOG = 32


def default_run_folder() -> Path:
    """Where sockets go unless settings say otherwise: systemd's runtime folder, the user's, or a private one."""
    for name in ("RUNTIME_DIRECTORY", "XDG_RUNTIME_DIR"):
        folder = os.environ.get(name, "").split(":")[0]
        if folder and Path(folder).is_dir():
            return Path(folder) if name == "RUNTIME_DIRECTORY" else Path(folder) / "kojimon"
    return temporary_folder()


def temporary_folder() -> Path:
    """The run folder where neither systemd nor the login gives one."""
    return Path(tempfile.gettempdir()) / f"kojimon-{os.getuid()}"


def run_folder_of(run_folder: str | Path) -> Path:
    """The folder settings name, or the default where they name none."""
    return Path(run_folder) if str(run_folder) else default_run_folder()


def make_run_folder(run_folder: str | Path) -> Path:
    """The run folder, made where it is missing. Raises KojimonError when it is somebody else's or cannot be made."""
    folder = run_folder_of(run_folder)
    try:
        folder.mkdir(mode=0o700 if folder == temporary_folder() else 0o770, parents=True, exist_ok=True)
        owner = folder.stat().st_uid
    except OSError as error:
        raise KojimonError(f"{folder}: the run folder cannot be made: {error.strerror}") from error
    if not os.access(folder, os.W_OK):
        raise KojimonError(f"{folder}: the run folder belongs to user {owner} and cannot be written")
    if folder == temporary_folder() and owner != os.getuid():
        # Anybody may make a folder in the common temporary one, and would own the sockets in it.
        raise KojimonError(f"{folder}: the run folder belongs to user {owner}; name another as run_folder")
    return folder


def socket_path(journal_path: str | Path, run_folder: str | Path = "") -> Path:
    """Path of the socket of the daemon that holds this journal."""
    name = hashlib.sha256(os.fsencode(os.path.realpath(journal_path))).hexdigest()[:16]
    return run_folder_of(run_folder) / f"{name}.sock"


def client_path(journal_path: str | Path, run_folder: str | Path = "") -> Path:
    """Where a command finds the daemon of a journal: as `socket_path`, or the service's where only that one is there.

    A person's session has another run folder than the service.
    """
    own = socket_path(journal_path, run_folder)
    service = SERVICE_FOLDER / own.name
    return service if not str(run_folder) and not _there(own) and _there(service) else own


def _there(path: Path) -> bool:
    try:
        return path.exists()
    except PermissionError:
        return False


def bind(path: Path) -> socket.socket:
    """A listening socket at path with mode 0660. A stale one is taken away; the journal's lock keeps two daemons apart.

    Raises KojimonError when it cannot be made.
    """
    door = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        path.unlink(missing_ok=True)
        # The mode is set before anybody can connect: listen comes after chmod.
        with name_of(path) as name:
            door.bind(name)
        path.chmod(SOCKET_MODE)
        door.listen(BACKLOG)
    except OSError as error:
        door.close()
        raise KojimonError(f"{path}: the local socket cannot be made: {error.strerror}") from error
    door.setblocking(False)
    return door


def is_loopback(host: str) -> bool:
    """Whether an address is this machine's own."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def address_of(peer: object) -> str:
    """What counts as one address: an IPv4 one, the /64 of an IPv6 one (a single host has all of it), "" locally."""
    if not isinstance(peer, tuple) or not peer:
        return ""
    try:
        found = ipaddress.ip_address(str(peer[0]).partition("%")[0])
    except ValueError:
        return str(peer[0])
    if found.version == 4:
        return str(found)
    return str(found.ipv4_mapped or ipaddress.ip_network((found, 64), strict=False))
