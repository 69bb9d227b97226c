"""Reads secrets where the settings say they are. No message ever contains one."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from kojimon.errors import UsageError
from kojimon.settings.spec import MqttSource, Secret, ServiceChannel, Settings

MOST_BYTES: Final = 4096
TOKEN_LEAST: Final = 12
TOKEN_DIFFERENT: Final = 6
"""A page token for the network: letters at least, and different ones among them. Twelve drawn at random from 64 are 72
bits; at the five guesses in five minutes an address has, and with 1,000 addresses, that is no matter of a lifetime."""


def read_secret(secret: Secret) -> str:
    """The secret itself, without the line end behind it.

    Raises:
        UsageError: it is not there, cannot be read, is empty, or is no single line of text.
    """
    if secret.environment:
        value = os.environ.get(secret.environment, "")
        if not value:
            raise UsageError(f"The environment variable {secret.environment} is not set. Set it, or name another.")
        return value
    path = Path(secret.file)
    try:
        with (credential(path) or path).open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except OSError as error:
        raise UsageError(f"The secret's file {path} cannot be read: {error.strerror}.") from None
    try:
        value = data.decode("utf-8").strip("\r\n")
    except UnicodeDecodeError:
        raise UsageError(f"The secret's file {path} holds no UTF-8 text. Write the secret on its first line.") from None
    if not value or len(data) > MOST_BYTES or any(ord(char) < 32 for char in value):
        raise UsageError(f"The secret's file {path} holds no single line of text. Write the secret on its first line.")
    return value


def credential(path: Path) -> Path | None:
    """The copy of a secret's file that systemd made for the service (LoadCredential), None where there is none.

    The unit loads a folder under its own name: `secrets/NAME` of the settings is `secrets_NAME` there. So one path in
    the settings serves the service, which cannot read the file itself, and root, who can.
    """
    folder = os.environ.get("CREDENTIALS_DIRECTORY", "")
    copy = Path(folder) / f"{path.parent.name}_{path.name}"
    return copy if folder and copy.is_file() else None


def secrets_of(settings: Settings) -> Iterator[tuple[str, Secret]]:
    """Every secret the settings name, with the path of its key."""
    for source in settings.sources:
        if isinstance(source, MqttSource) and source.password is not None:
            yield f"sources.{source.name}.password", source.password
    for channel in settings.channels:
        if isinstance(channel, ServiceChannel):
            yield f"channels.{channel.name}.url", channel.url
    if settings.heartbeat.ping is not None:
        yield "heartbeat.ping", settings.heartbeat.ping
    if settings.mirror is not None and settings.mirror.token is not None:
        yield "mirror.token", settings.mirror.token
    if settings.web.token is not None:
        yield "web.token", settings.web.token


def token_fault(token: str) -> str:
    """Why a page's token is none for the network; "" where it is good enough."""
    if len(token) >= TOKEN_LEAST and len(set(token)) >= TOKEN_DIFFERENT:
        return ""
    return (
        f"The page is open to the network, and its token is easily guessed. Wanted are {TOKEN_LEAST} letters at least, "
        f"{TOKEN_DIFFERENT} of them different: some words of your own, or what `openssl rand -base64 24` prints."
    )


def secret_warnings(settings: Settings) -> list[str]:
    """One sentence for each secret's file that is not there, or can be read by everybody on this machine.

    What only the service or root may look at, and what stands in the service's environment, is not asked after.
    """
    warnings = []
    for key, secret in secrets_of(settings):
        if not secret.file:
            continue
        try:
            mode = Path(secret.file).stat().st_mode
        except PermissionError:
            continue
        except OSError as error:
            warnings.append(f"{key}: the secret's file {secret.file} cannot be read: {error.strerror}.")
            continue
        if mode & (stat.S_IROTH | stat.S_IWOTH):
            warnings.append(f"{key}: everybody on this computer can read {secret.file}. Run `chmod 600 {secret.file}`.")
    return warnings
