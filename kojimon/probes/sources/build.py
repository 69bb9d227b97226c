"""Sources from settings: the one place that knows which class reads which kind."""

from __future__ import annotations

import re
import socket
from collections.abc import Callable, Sequence

from kojimon.clock import Clock
from kojimon.links.mqtt import Address
from kojimon.probes.formats.homie import state_topic
from kojimon.probes.sources.receipts import Left
from kojimon.probes.sources.worker import SourceLink
from kojimon.settings.spec import KernelSource, ModbusSource, MqttSource, Probe, Secret, SerialSource, Source

SecretReader = Callable[[Secret], str]
"""Reads a secret from its file or the environment; raises KojimonError where it cannot be had."""


def address(source: MqttSource, read_secret: SecretReader) -> Address:
    """The broker of a source. The password is read anew at each connection, so that a changed file is used."""
    secret = source.password
    return Address(
        source.host,
        source.port,
        source.version,
        source.user,
        None if secret is None else lambda: read_secret(secret),
        source.tls,
        source.ca_file,
        source.keepalive_s,
    )


def client_id(source: MqttSource, site: str, role: str) -> str:
    """The name of one of our clients at a broker: the same at each start, unlike any other's.

    Args:
        role: `in` for readings, `io` for state and acts.
    """
    own = source.client_id or f"kojimon-{site}-{socket.gethostname()}-{source.name}"
    return re.sub(r"[^A-Za-z0-9_.-]", "-", f"{own}-{role}")[:200]


def marker_topic(source: MqttSource, site: str) -> str:
    """The topic on which our own marker comes back."""
    return f"kojimon/{re.sub('[/+#]', '-', site)}/marker/{client_id(source, site, 'in')}"


def build(
    source: Source,
    probes: Sequence[Probe],
    clock: Clock,
    site: str,
    read_secret: SecretReader,
    left: Left | None = None,
) -> SourceLink | None:
    """The reader of one source.

    Args:
        source: its settings.
        probes: all probes; the source's own are picked out.
        clock: world time, for stamping.
        site: the site's name.
        read_secret: reads a password.
        left: what the journal has of a broker's session.

    Returns:
        a source ready to be started; None for a simulated one, which the daemon drives itself.
    """
    own = tuple(probe for probe in probes if probe.source == source.name)
    if isinstance(source, MqttSource):
        from kojimon.probes.sources.mqtt import MqttReadings

        topics = [probe.topic for probe in own]
        filters = tuple(dict.fromkeys([*topics, *filter(None, map(state_topic, topics))]))
        identity, marker = client_id(source, site, "in"), marker_topic(source, site)
        broker = address(source, read_secret)
        expiry_s = source.session_expiry_s
        return MqttReadings(source.name, broker, identity, filters, clock, marker, expiry_s, left)
    if isinstance(source, SerialSource):
        from kojimon.probes.sources.serial import SerialLines

        return SerialLines(source, clock)
    if isinstance(source, KernelSource):
        from kojimon.probes.sources.kernel import KernelFiles

        return KernelFiles(source, tuple(dict.fromkeys(probe.topic for probe in own)), clock)
    if isinstance(source, ModbusSource):
        from kojimon.probes.sources.modbus import ModbusProbes

        return ModbusProbes(source, own, clock)
    return None
