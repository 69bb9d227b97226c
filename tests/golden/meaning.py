"""What the golden files mean to the program that is imported, as plain data, and where two meanings differ.

What is new counts as a difference among events only: a further field of an event, a figure or a setting takes nothing
away from what was there.
"""

from __future__ import annotations

import json
import lzma
from collections.abc import Iterator
from difflib import SequenceMatcher
from fnmatch import fnmatchcase
from math import isclose
from pathlib import Path
from typing import Any

import msgspec
import yaml

from kojimon.cli.commands.review import _plain
from kojimon.contract import earlier
from kojimon.core.advance import advance, row_t_ms
from kojimon.engine import initial_state
from kojimon.journal.reading.reader import Reader
from kojimon.model import Event
from kojimon.review.counted import load_review
from kojimon.schedule.load import SHIPPED, load_schedule
from kojimon.settings.load import load_settings
from kojimon.settings.plain import from_json, to_json

HERE = Path(__file__).resolve().parent
GOLDEN = HERE.parent / "data" / "golden"
CONFIG = SHIPPED.resolve().parent
EVERYTHING = HERE / "everything.yaml"
Plain = Any


# -- what is made of the files ---------------------------------------------------------------------------------


def write(file: Path, plain: Plain) -> None:
    """Plain data as a file that can be read and compared line by line."""
    file.write_text(json.dumps(plain, indent=1, sort_keys=True, ensure_ascii=False) + "\n")


def unpacked(version: Path, folder: Path) -> Path:
    """The journal of a version, unpacked into a folder."""
    journal = folder / "batch.journal"
    journal.write_bytes(lzma.decompress((version / "batch.journal.xz").read_bytes()))
    return journal


def events_stored(journal: Path) -> list[Plain]:
    """Every event as the journal has it."""
    reader = Reader(journal)
    try:
        return [_event(event) for event in reader.events(limit=1_000_000)]
    finally:
        reader.close()


def events_replayed(journal: Path) -> list[Plain]:
    """Every event as the engine states it from the journal's rows."""
    reader, state, found = Reader(journal), initial_state(), list[Event]()
    try:
        for page in reader.pages_after(0):
            state, outcome = advance(state, page, row_t_ms(page[-1]))
            found += outcome.events
        _, outcome = advance(state, [], reader.horizon_ms())
    finally:
        reader.close()
    return [_event(event) for event in [*found, *outcome.events]]


def _whole(value: Any) -> Plain:
    """Plain data with every field of every record, also one that stands at its default."""
    if isinstance(value, msgspec.Struct):
        return {one.encode_name: _whole(getattr(value, one.name)) for one in msgspec.structs.fields(value)}
    if isinstance(value, list | tuple):
        return [_whole(one) for one in value]
    return value


def _event(event: Event) -> Plain:
    plain = {**_whole(event), "kind": event.kind, "data": _whole(event.what)}
    for name in ("no", "what", "utc"):
        del plain[name]
    if event.kind == "settings":
        del plain["key"]  # a hash of all there is to set: another with each new setting
    return plain


def review(journal: Path) -> Plain:
    """The figures of the journal's only batch, as `kojimon review --json` gives them."""
    reader = Reader(journal)
    try:
        (batch,) = reader.batches()
        return json.loads(msgspec.json.encode(_plain(load_review(reader, batch.id))))
    finally:
        reader.close()


def settings(file: Path) -> Plain:
    """What a settings file means; its schedule by name alone, its folder as a dot."""
    plain = json.loads(to_json(load_settings(file)))
    for box in plain["incubators"]:
        box["schedule"] = box["schedule"]["name"]
    plain.pop("schedules", None)
    return json.loads(json.dumps(plain).replace(str(file.parent.absolute()), "."))


def schedule(file: Path) -> Plain:
    """What a schedule file means."""
    return json.loads(msgspec.json.encode(load_schedule(file)))


# -- where two differ ------------------------------------------------------------------------------------------


def differences(version: Path, folder: Path) -> list[str]:
    """Every difference between a version's golden files and what the program makes of them, a line each."""
    journal = unpacked(version, folder)
    golden = [earlier.plain(json.loads(line)) for line in (version / "events.jsonl").read_text().splitlines()]
    found = [f"journal: {line}" for line in changed_events(golden, events_stored(journal))]
    found += [f"replay: {line}" for line in changed_events(golden, events_replayed(journal))]
    found += [f"review: {line}" for line in changed(_read(version / "review.json"), review(journal))]
    kept = version / "last-good.json"
    found += [f"last-good: {line}" for line in changed(_read(kept), json.loads(to_json(from_json(kept.read_bytes()))))]
    for kind, meant in (("settings", settings), ("schedules", schedule)):
        for file in sorted((version / kind).glob("*.yaml")):
            was, now = _read(file.with_suffix(".json")), meant(file)
            found += [f"{kind} {file.stem}: {line}" for line in changed(was, now)]
    return found


def accepted(version: Path) -> list[tuple[str, str]]:
    """(pattern of a difference, reason) of what was changed on purpose."""
    return [(one["difference"], one["reason"]) for one in yaml.safe_load((version / "accepted.yaml").read_text())]


def reason_of(difference: str, known: list[tuple[str, str]]) -> str:
    """Why a difference is accepted; "" where it is not."""
    return next((reason for pattern, reason in known if fnmatchcase(difference, pattern)), "")


def _read(file: Path) -> Plain:
    return earlier.plain(json.loads(file.read_text()))


def _text(plain: Plain) -> str:
    return json.dumps(plain, ensure_ascii=False)


def _label(event: Plain) -> str:
    data = event["data"]
    what = data.get("event", data.get("round", ""))
    return f"{event['kind']} {event.get('key', '')} {what}".strip()


def changed_events(was: list[Plain], now: list[Plain]) -> Iterator[str]:
    """Events that are gone, new or different; those with the same kind, key and round are laid beside each other."""
    before, after = [_label(event) for event in was], [_label(event) for event in now]
    for how, i, end, j, stop in SequenceMatcher(None, before, after, autojunk=False).get_opcodes():
        if how == "equal":
            for one, other, label in zip(was[i:end], now[j:stop], before[i:end], strict=True):
                yield from (f"{label}: {line}" for line in changed(one, other))
            continue
        yield from (f"gone: {label} at {event['t_ms']}" for label, event in zip(before[i:end], was[i:end], strict=True))
        yield from (f"new: {label} at {event['t_ms']}" for label, event in zip(after[j:stop], now[j:stop], strict=True))


def changed(was: Plain, now: Plain, path: str = "") -> Iterator[str]:
    """What was there and is gone or another, by its path; things with a name are found by it."""
    if isinstance(was, dict) and isinstance(now, dict):
        for name, value in was.items():
            inner = f"{path}.{name}".lstrip(".")
            if name in now:
                yield from changed(value, now[name], inner)
            else:
                yield f"{inner} is gone, was {_text(value)}"
    elif isinstance(was, list) and isinstance(now, list):
        yield from _lists(was, now, path)
    elif not _same(was, now):
        yield f"{path} {_text(was)} -> {_text(now)}"


def _lists(was: list[Plain], now: list[Plain], path: str) -> Iterator[str]:
    if all(isinstance(one, dict) and "name" in one for one in [*was, *now]):
        yield from changed({one["name"]: one for one in was}, {one["name"]: one for one in now}, path)
        return
    if len(was) != len(now):
        yield f"{path} has {len(now)} entries, had {len(was)}"
    for number, (one, other) in enumerate(zip(was, now, strict=False)):
        yield from changed(one, other, f"{path}.{number}")


def _same(was: Plain, now: Plain) -> bool:
    if isinstance(was, float) and isinstance(now, (int, float)):
        return isclose(was, now, rel_tol=1e-9, abs_tol=1e-9)
    return bool(was == now)
