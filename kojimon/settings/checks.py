"""What no single value can be wrong about: things that refer to each other, or do not go together.

Works on what could be read, so that a fault in one value hides none elsewhere.
"""

from __future__ import annotations

from typing import Any

from kojimon.document.report import Report, one_of

Draft = dict[str, Any]
"""The settings as read: names of the records to values, faulty ones left out."""
_LOOPBACK = ("127.0.0.1", "localhost", "::1", "")


def check(draft: Draft, report: Report) -> None:
    """Checks everything but the probes, which `probes.check` does."""
    _ports(draft, report)
    _simulated(draft, report)
    _scenarios(draft, report)
    _publish(draft, report)
    _web(draft, report)
    _people(draft, report)
    for name, source in draft.get("sources", {}).items():
        if "password" in source and not source.get("user"):
            report.at(f"sources.{name}.password", "found a password without a user", "expected `user:` beside it")
        if "columns" in source and source.get("format") != "csv":
            report.at(f"sources.{name}.columns", "found columns", "expected `format: csv` with them")
        if source.get("decimal") == ",":
            _decimal_comma(source, f"sources.{name}.decimal", report)


def _decimal_comma(source: Draft, path: str, report: Report) -> None:
    form = source.get("format", "json")
    if form == "json":
        report.at(path, "found a decimal comma for `format: json`", "expected `format: csv` or `keys`; JSON has none")
    elif form == "csv" and source.get("separator", ",") == ",":
        wanted = "expected `separator:` with what stands between the columns: `;`, `tab` or `space`"
        report.at(path, "found a decimal comma where commas separate the columns", wanted)


def missing(report: Report, path: str, name: str, known: list[str], what: str) -> None:
    """Tells that a name stands for nothing."""
    hint = report.did_you_mean(name, known)
    wanted = f"expected {what}: {one_of(known)}" if known else f"expected {what}, of which there is none"
    report.at(path, f"found `{name}`{hint}", wanted)


def _ports(draft: Draft, report: Report) -> None:
    taken: dict[str, str] = {}
    for name, source in draft.get("sources", {}).items():
        port = source.get("port")
        if source.get("kind") not in ("serial", "modbus") or not isinstance(port, str):
            continue
        if port in taken:
            what = f"found the port `{port}`, which source `{taken[port]}` has as well"
            report.at(f"sources.{name}.port", what, "expected one source a port")
        taken.setdefault(port, name)


def _simulated(draft: Draft, report: Report) -> None:
    sources = draft.get("sources", {})
    simulated = [name for name, source in sources.items() if source.get("kind") == "simulated"]
    if simulated and len(sources) > 1:
        what = f"found a simulated source beside {len(sources) - 1} other"
        report.at(f"sources.{simulated[-1]}", what, "expected it alone: it drives the clock of the whole site")


def _scenarios(draft: Draft, report: Report) -> None:
    simulated = {name: one for name, one in draft.get("sources", {}).items() if one.get("kind") == "simulated"}
    if simulated:
        from kojisim.scenarios import SCENARIOS

        for name, source in simulated.items():
            if source.get("scenario", "healthy") not in SCENARIOS:
                missing(report, f"sources.{name}.scenario", source["scenario"], sorted(SCENARIOS), "a scenario")


def _publish(draft: Draft, report: Report) -> None:
    publish, sources = draft.get("publish", {}), draft.get("sources", {})
    to = publish.get("source", "")
    brokers = [name for name, source in sources.items() if source.get("kind") == "mqtt"]
    if to and to not in brokers:
        missing(report, "publish.to", to, brokers, "an MQTT source")
        return
    if publish.get("accept_acts") and not to:
        report.at("publish.accept_acts", "found `true` without a broker", "expected `to:` with an MQTT source")
    elif publish.get("accept_acts") and not (sources[to].get("user") and "password" in sources[to]):
        what = f"found `true`, and source `{to}` has no user and password"
        wanted = f"expected `user:` and `password:` at `sources.{to}`: else everybody in the network can mark steps"
        report.at("publish.accept_acts", what, wanted)
    own = f"kojimon/{draft.get('site', '')}/#"
    for name, probe in draft.get("probes", {}).items():
        if to and probe.get("source") == to and overlap(probe.get("topic", ""), own):
            what = f"found `{probe['topic']}`, which takes in what kojimon publishes itself"
            report.at(f"probes.{name}.topic", what, f"expected a topic outside `{own}`")


def _people(draft: Draft, report: Report) -> None:
    if "speaker" in draft.get("channels", {}):
        wanted = "expected another name: `speaker` is this computer's loudspeaker, set up under `speaker:`"
        report.at("channels.speaker", "found a channel named `speaker`", wanted)
    brokers = [name for name, source in draft.get("sources", {}).items() if source.get("kind") == "mqtt"]
    for site, keys in draft.get("watch", {}).items():
        if site == draft.get("site"):
            report.at(f"watch.{site}", "found this site itself", "expected another: no computer sees its own failure")
        source = keys.get("source", "")
        if source not in brokers and (source or len(brokers) != 1):
            missing(report, f"watch.{site}.from", source, brokers, "an MQTT source")
        elif not source:
            keys["source"] = brokers[0]


def _web(draft: Draft, report: Report) -> None:
    web = draft.get("web", {})
    host = web.get("host", "127.0.0.1")
    if host not in _LOOPBACK and "token" not in web:
        wanted = "expected `token:` with it, or `host: 127.0.0.1`"
        report.at("web.host", f"found `{host}`, open to the network, without a token", wanted)
    if web.get("look_free") and "token" not in web:
        report.at("web.look", "found `free` without a token", "expected `token:` with it, which acting then needs")


def overlap(first: str, second: str) -> bool:
    """Whether some topic matches both filters (MQTT 5.0, 4.7.1.2 and 4.7.1.3: `#` also matches its parent level)."""
    return _overlap(first.split("/"), second.split("/"))


def _overlap(first: list[str], second: list[str]) -> bool:
    for level, (one, other) in enumerate(zip(first, second, strict=False)):
        if "#" in (one, other):
            return True
        if "+" not in (one, other) and one != other:
            return False
        if level == min(len(first), len(second)) - 1 and len(first) != len(second):
            longer = first if len(first) > len(second) else second
            return len(longer) == level + 2 and longer[-1] == "#"
    return len(first) == len(second)
