"""What a person sees at 80 columns and, over ssh from a phone, at 40: on made-up states of every kind."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import msgspec
import pytest

from kojimon.cli.commands import alarms, probes, status
from kojimon.cli.shared import screen
from kojimon.contract import acts
from kojimon.contract.rows import ListedProbe
from kojimon.contract.state import Document, Now
from tests.cli.conftest import Kitchen
from tests.parts.statedoc import BOX, NOW_MS, NOW_UTC, at, box, document, hot_alarm, probed

Plain = dict[str, Any]


class Pretended:
    """A kitchen that shows one state document."""

    live = True

    def __init__(self, shown: Document, **more: Any) -> None:
        self.shown, self.more, self.acts = shown, more, []  # type: ignore[var-annotated]

    def state(self) -> Document:
        return self.shown

    def act(self, deed: acts.Deed, incubator: str) -> list[Plain]:
        self.acts.append((deed, incubator))
        return []

    def night_check(self) -> None:
        return None

    def probes(self) -> list[ListedProbe]:
        told = {"incubator": "box", "expect_every_s": 10.0, **self.more}
        found = self.shown.incubators[0].probes
        return [ListedProbe(**msgspec.structs.asdict(probe), **told) for probe in found]


@pytest.fixture
def pretend(monkeypatch: pytest.MonkeyPatch) -> Callable[[Document], Pretended]:
    def made(shown: Document) -> Pretended:
        kitchen = Pretended(shown)
        for module in (status, alarms, probes):
            monkeypatch.setattr(module, "open_kitchen", lambda _: kitchen)
        return kitchen

    return made


def lines(kitchen: Kitchen, *words: str, width: int) -> list[str]:
    """What is printed, without blanks at the ends; no line may be wider than the screen."""
    found = [line.rstrip() for line in kitchen.run(*words, width=width).stdout.splitlines()]
    assert max(len(line) for line in found) <= width
    return found


def test_a_healthy_batch_on_a_laptop(kitchen: Kitchen, pretend: Callable[[Document], Pretended]) -> None:
    pretend(document())
    assert lines(kitchen, "status", width=80) == [
        "Cool box, batch first, hour 27.4, warming by itself (14:00)",
        "The koji is at 95.2 to 99.0 °F and rising, within limits.",
        "",
        "You can now: break up and mix (kirikaeshi)",
        "  due 15:30, 1 h 30 min left",
        "  Crumble the mat, turn it, spread it flat again.",
        "  Take care:",
        "    - Wash your hands; koji is food.",
        "  When done: kojimon batch done mix",
        "",
        "Hottest: top tray     99.0 °F  rising, +2.2 °F/h",
        "Coldest: bottom tray  95.2 °F",
        "Box air               86.4 °F",
        "Box humidity             86 %",
        "Koji above box air 12.6 °F, dry/wet difference 3.7 °F.",
        "",
        "No alarms.",
    ]


def test_the_same_on_a_phone(kitchen: Kitchen, pretend: Callable[[Document], Pretended]) -> None:
    pretend(document())
    shown = lines(kitchen, "status", width=40)
    assert shown[:4] == [
        "Cool box, batch first, hour 27.4,",
        "warming by itself (14:00)",
        "The koji is at 95.2 to 99.0 °F and",
        "rising, within limits.",
    ]
    assert "Hottest: top tray    99.0 °F rising" in shown
    assert "Coldest: bottom tray 95.2 °F" in shown


def test_a_hot_tray_comes_first_with_the_one_thing_to_do(
    kitchen: Kitchen, pretend: Callable[[Document], Pretended]
) -> None:
    silent = hot_alarm(key="silent/air", state="RTNUN", priority="tell", tray="")
    pretend(document(probed(box(alarms=(hot_alarm(), silent)), "koji-top", value=43.2, rate_per_h=2.16)))
    shown = lines(kitchen, "status", width=80)
    assert shown[1] == "Top tray 110 °F (limit 109), 113 in 50 min. Break up, spread"
    assert shown[-3:] == [
        "Alarms",
        "  new, since 13:50: Top tray 110 °F (limit 109), 113 in 50 min. Break up, spread",
        "  back to normal, not acknowledged, since 13:50: No reading from probe air",
    ]


def test_the_list_of_alarms(kitchen: Kitchen, pretend: Callable[[Document], Pretended]) -> None:
    paused = hot_alarm(key="silent/air", state="SHLVD", priority="tell", tray="", until_t_ms=at(0.5))
    disk = hot_alarm(key="health/disk", state="ACKED", priority="wake", value=None, limit=None)
    pretend(document(box(alarms=(hot_alarm(), paused)), alarms=(disk,)))
    wide = lines(kitchen, "alarms", width=100)
    assert wide[0].split() == ["what", "state", "since", "what", "it", "does", "name"]
    narrow = lines(kitchen, "alarms", width=40)
    for text in (
        "1 Top tray 99 °F (was over 109), rising.",
        "2 No reading from probe air",
        "  state: shelved until 14:30",
        "3 Disk trouble. Free space, check card",
    ):
        assert text in narrow


def test_an_alarm_is_named_by_number_key_tray_or_a_part_of_it(
    kitchen: Kitchen, pretend: Callable[[Document], Pretended]
) -> None:
    alarms = (hot_alarm(occurrence=3), hot_alarm(key="silent/air", tray="", probe="air"))
    known = pretend(document(box(alarms=alarms)))
    for named in ("1", "limit/bed/temperature/high", "koji", "top"):
        kitchen.run("alarms", "ack", named)
    assert known.acts == [(acts.Acknowledge(key="limit/bed/temperature/high", occurrence=3), "box")] * 4
    told = kitchen.run("alarms", "shelve", "a", code=2).stderr
    known_ones = "1 Top tray too warm, 2 No reading from probe air."
    expected = f"'a' is more than one. Expected the number or a part of the name of one of: {known_ones}"
    assert expected in " ".join(told.split())


def test_acknowledging_without_a_name_means_what_is_new(
    kitchen: Kitchen, pretend: Callable[[Document], Pretended]
) -> None:
    known = pretend(document(box(alarms=(hot_alarm(), hot_alarm(key="silent/air", state="ACKED")))))
    kitchen.run("alarms", "ack")
    assert [deed.key for deed, _ in known.acts] == ["limit/bed/temperature/high"]
    known.shown = document()
    assert kitchen.run("alarms", "ack").stdout == "There is nothing to acknowledge.\n"


def test_probes_say_what_is_wrong_with_them(kitchen: Kitchen, pretend: Callable[[Document], Pretended]) -> None:
    odd = probed(probed(BOX, "koji-top", quality=4), "koji-low", silent=True, age_s=700.0)
    pretend(document(probed(odd, "air", value=None, quality=None, age_s=None))).more = {"raw": 85.0}
    shown = " ".join(" ".join(lines(kitchen, "probes", width=100)).split())
    for text in (
        "not a measurement (the device's own",
        "185.00 °F",
        "no reading",
        "12 min ago",
        "nothing yet",
        "never",
    ):
        assert text in shown
    assert "koji-top" in lines(kitchen, "probes", width=40)


def test_the_clock_that_is_not_set_is_said_before_any_time(
    kitchen: Kitchen, pretend: Callable[[Document], Pretended]
) -> None:
    pretend(document(now=Now(NOW_UTC, False, "America/Chicago")))
    assert lines(kitchen, "status", width=80)[0].startswith("The clock of kojimon's computer is not set: times")


def test_trays_without_a_probe_are_said_to_be_unmeasured(
    kitchen: Kitchen, pretend: Callable[[Document], Pretended]
) -> None:
    pretend(document(box(trays=("top", "middle", "bottom"))))
    assert "No probe measures the middle tray." in lines(kitchen, "status", width=80)


def test_several_boxes_are_shown_one_after_the_other(
    kitchen: Kitchen, pretend: Callable[[Document], Pretended]
) -> None:
    pretend(document(BOX, box(name="cellar", label="Cellar", batch=None, stage=None, steps=(), next=None)))
    shown = lines(kitchen, "status", width=80)
    assert "Cellar (14:00)" in shown
    assert sum("No batch is open." in line for line in shown) == 1


def test_json_is_the_state_document_itself(kitchen: Kitchen, pretend: Callable[[Document], Pretended]) -> None:
    pretend(document())
    assert msgspec.json.decode(kitchen.run("status", "--json").stdout, type=Document) == document()
    assert json.loads(kitchen.run("status", "--json").stdout)["t_ms"] == NOW_MS


def test_a_line_of_the_story_stays_one_line_in_a_log(capsys: pytest.CaptureFixture[str]) -> None:
    said = "Are the probes back in the koji, each half-way down in the middle of its tray? " * 3
    screen.entry("Thu 13:08", said.strip())
    assert capsys.readouterr().out == f"Thu 13:08  {said.strip()}\n"


def test_a_path_or_a_command_to_paste_is_never_cut_in_two(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    path = "/var/lib/" + "a-long-folder/" * 5 + "secret"
    screen.say(f"Everybody can read {path}. Run `chmod 600 {path}`.\nA second paragraph.", "look", indent=2)
    assert capsys.readouterr().out.splitlines() == [
        "  Everybody can read",
        f"  {path}.",
        "  Run `chmod 600",
        f"  {path}`.",
        "  A second paragraph.",
    ]
