"""A journal of weights: what was written of them replays to the same events, and the scale says the same of it.

`python -m tests.golden.test_weights` records it anew, once a version that changes what it writes.
"""

from __future__ import annotations

import json
from typing import Any

import msgspec
from msgspec.structs import replace

from kojimon.contract import inputs
from kojimon.engine import advance, initial_state
from kojimon.mash.scale import read
from kojimon.model import Event, InputRow, Outcome, plain_event
from kojimon.words.scale import standing
from tests.engine.build import H, Rows, site
from tests.golden import meaning

FILE = meaning.GOLDEN / "weights.jsonl"
KINDS = ("batch-start", "weighed", "unweighed", "refused", "batch-harvest", "alarm", "cooled")


def written() -> Rows:
    """A batch weighed on its way: dry to harvest, one taken back, one impossible, one dated back; the next after."""
    rows = Rows(replace(site(), probes=()))
    rows.act("batch.start", name="first", rice_kg=2.0)
    rows.act("batch.weigh", stage="dry", kg=2.02)
    rows.at(10 * H).act("batch.weigh", stage="soaked", kg=3.05, tare_kg=0.45)
    rows.at(11 * H).act("batch.weigh", stage="steamed", kg=9.0)
    rows.act("batch.weigh", stage="steamed", kg=3.3)
    rows.act("batch.unweigh", stage="steamed")
    rows.act("batch.weigh", stage="steamed", kg=3.25)
    rows.act("step.done", step="inoculate", value_c=31.0)
    rows.at(11.5 * H).act("batch.weigh", stage="seeded", kg=3.9, tare_kg=1.2)
    rows.act("batch.weigh", stage="work", kg=1.0)
    rows.at(31 * H).act("batch.weigh", stage="work", kg=3.72, at_t_ms=rows.t0_ms + round(30.5 * H) * 1000)
    rows.at(38 * H).act("batch.weigh", stage="work", kg=3.6)
    rows.act("batch.weigh", stage="green", kg=3.6)
    rows.at(52 * H).act("batch.harvest", yield_kg=2.31)
    rows.at(55 * H).act("reading", value_c=33.0, tray="top")
    rows.at(58 * H).act("reading", value_c=24.0, tray="top")
    rows.at(60 * H).act("batch.start", name="second", rice_kg=2.0)
    rows.act("batch.weigh", stage="seeded", kg=3.8)
    return rows


def replayed(rows: list[Any], t_ms: int) -> Outcome:
    return advance(initial_state(), rows, t_ms)[1]


def stored() -> tuple[list[Any], list[Any], dict[str, Any]]:
    """Rows and events of the file, and what the scale says of them."""
    lines = [json.loads(line) for line in FILE.read_text(encoding="utf-8").splitlines()]
    rows = [
        InputRow(seq, t_ms, inputs.read(kind, msgspec.json.encode(payload)))
        for seq, t_ms, kind, payload in (line["row"] for line in lines if "row" in line)
    ]
    return rows, [line["event"] for line in lines if "event" in line], lines[-1]["says"]


def told(outcome: Outcome) -> list[Any]:
    """The events that are about weights and what comes of them, as JSON has them; of alarms that of cooling."""
    found = [event for event in outcome.events if event.kind in KINDS]
    kept = [event for event in found if event.kind != "alarm" or event.key == "expect/cooling"]
    return [json.loads(msgspec.json.encode(replace(plain_event(event), no=0))) for event in kept]


def said(events: tuple[Event, ...]) -> dict[str, Any]:
    """What the scale says of the first batch, in numbers."""
    first = next(event.key for event in events if event.kind == "batch-start")
    own = [event for event in events if event.batch == first]
    found = read(standing(own, 2.0, own[0].t_ms, 2.31, own[-1].t_ms), "table-rice")
    return {
        "on_dry": {one.stage: round(one.ratio, 4) for one in found.shares},
        "lost_kg_h": [[round(one.low, 5), round(one.high, 5), one.verdict] for one in found.losses],
        "water": [[round(one.low, 4), round(one.usual, 4), round(one.high, 4), one.finish] for one in found.moisture],
        "impossible": [[one.of.stage, one.of.kg, one.why] for one in found.impossible],
    }


def test_the_journal_of_weights_means_what_it_meant() -> None:
    rows, events, says = stored()
    outcome = replayed(rows, rows[-1].t_ms)
    assert told(outcome) == events
    assert said(outcome.events) == says
    kinds = [event["kind"] for event in events]
    assert kinds.count("weighed") == 8 and kinds.count("unweighed") == 1 and kinds.count("refused") == 3
    assert kinds.count("alarm") == 2 and "cooled" in kinds
    assert [event["data"].get("tare_kg") for event in events if event["kind"] == "weighed"][-1] == 1.2


def record() -> None:
    """Writes the file."""
    made = written()
    rows = made.take()
    outcome = replayed(rows, made.t_ms)
    lines: list[Any] = [
        {"row": [row.seq, row.t_ms, inputs.kind_of(row.what), json.loads(msgspec.json.encode(inputs.plain(row.what)))]}
        for row in rows
    ]
    lines += [{"event": event} for event in told(outcome)]
    lines.append({"says": said(outcome.events)})
    FILE.write_text("".join(json.dumps(line, ensure_ascii=False) + "\n" for line in lines), encoding="utf-8")


if __name__ == "__main__":
    record()
