"""The calendar in the running daemon: backup and summary once a night, thinning between batches."""

from __future__ import annotations

from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from kojimon.clock import ManualClock, SystemClock
from kojimon.contract.health import DutyHealth
from kojimon.daemon import duty, run_daemon
from kojimon.journal.reading.reader import Reader
from kojimon.model import Event
from kojimon.settings.spec import JournalSettings, Settings
from tests.daemon.running import Running, broker_site, running
from tests.daemon.sites import simulated_site
from tests.parts.inputs import says
from tests.parts.opened import outbox, reading
from tests.parts.wait import until

AFTERNOON = round(datetime(2026, 5, 10, 16, 0, tzinfo=UTC).timestamp() * 1000)
H = 3_600_000


def at(folder: Path, **journal: object) -> Settings:
    path = str(folder / "kojimon.journal")
    return broker_site(folder, journal=JournalSettings(path=path, ballast_mb=0, **journal))  # type: ignore[arg-type]


def go_on(one: Running, hours: float, koji_c: float = 31.0, every_s: int = 60) -> None:
    """Readings of every probe, the calendar looked at after each step as a driver does."""
    for _ in range(round(hours * 3600 / every_s)):
        for topic, value in (("bed", koji_c), ("bed-2", koji_c), ("bed-3", koji_c), ("air", 30.0), ("room", 20.0)):
            one.put(f"k/{topic}", value)
        one.put("k/air-humidity", 85.0)
        step(one, every_s)


def step(one: Running, seconds: float) -> None:
    one.tick(seconds)
    if one.daemon.duty.look():
        one.tick()


def summaries(settings: Settings) -> list[Event]:
    with closing(Reader(Path(settings.journal.path))) as reader:
        return reader.events(kinds=["summary"])


def test_the_night_is_summed_up_once_in_the_morning(tmp_path: Path) -> None:
    settings = at(tmp_path)
    with running(settings, ManualClock(AFTERNOON)) as one:
        one.act("batch.start", name="first")
        one.act("step.done", step="inoculate", value_c=31.0)
        go_on(one, 10.0)
        go_on(one, 1.0, koji_c=46.0)
        go_on(one, 4.0, koji_c=32.0)
        assert one.client.get("/v1/health")["parts"]["duty"] == {"duties": ["summary", "thin"], "failed": []}
        one.commit()
        (told,) = summaries(settings)
        assert (told.incubator, told.batch != "", told.key) == ("box", True, "night")
        with closing(Reader(Path(settings.journal.path))) as reader:
            utc_ms, trusted = reader.stamps().utc_ms(told.t_ms)
            assert (utc_ms - AFTERNOON) / H == pytest.approx(14 + 28 / 60) and trusted, "at 06:28, before sleep ends"
            assert outbox(reader.path)[-1].event == told.no and outbox(reader.path)[-1].priority
            assert reader.duties()["summary"] == utc_ms
        assert (says(told)["low_c"], says(told)["high_c"]) == (31.0, 46.0)
        woke = {alarm["key"]: alarm["lasted_ms"] for alarm in says(told)["woke"]}
        assert woke["limit/bed/temperature/high"] is not None
        assert says(told)["until_ms"] - says(told)["since_ms"] == 8 * H - 2 * 60_000
    with running(settings, ManualClock(AFTERNOON + 15 * H, boot_id="next")) as one:
        go_on(one, 2.0)
        one.commit()
        assert len(summaries(settings)) == 1, "nor again after a restart"


def test_a_night_in_which_no_message_got_out_says_so(tmp_path: Path) -> None:
    settings = at(tmp_path)
    with running(settings, ManualClock(AFTERNOON)) as one:
        one.act("batch.start", name="first")
        one.act("step.done", step="inoculate", value_c=31.0)
        go_on(one, 1.0, every_s=600)
        one.daemon.house.core.health("delivery:phone", False, "no way out")
        one.daemon.house.core.health("delivery:mail", False, "no way out")
        go_on(one, 1.0, every_s=600)
        one.daemon.house.core.health("delivery:mail", True, "gets out again")
        go_on(one, 13.0, every_s=600)
        one.commit()
        (told,) = summaries(settings)
    assert says(told)["unheard"] == ["phone"], "mail got out again before the night"


def test_without_a_batch_there_is_nothing_to_sum_up(tmp_path: Path) -> None:
    settings = at(tmp_path)
    with running(settings, ManualClock(AFTERNOON)) as one:
        go_on(one, 15.0, every_s=600)
        one.commit()
        assert summaries(settings) == []


def test_a_backup_each_night_and_an_alarm_when_there_is_none(tmp_path: Path) -> None:
    folder = tmp_path / "stick"
    settings = at(tmp_path, backup_folder=str(folder))
    with running(settings, ManualClock(AFTERNOON)) as one:
        folder.write_text("not a folder")
        step(one, 1)
        step(one, 12 * 3600)
        one.commit()
        (alarm,) = [one for one in one.client.get("/v1/state")["alarms"] if one["key"] == "health/backup"]
        assert alarm["state"] == "UNACK" and alarm["priority"] == "tell"
        assert one.daemon.duty.facts().failed == ["backup"]
        folder.unlink()
        step(one, 3601)
        assert (folder / "kojimon.journal.1").exists(), "tried again after an hour"
        until(
            lambda: all(one["state"] != "UNACK" for one in one.client.get("/v1/state")["alarms"]),
            what="the alarm of the backup over",
        )
        one.commit()
        step(one, 23 * 3600)
        assert (folder / "kojimon.journal.2").exists(), "the night after, beside the first"
    with closing(Reader(folder / "kojimon.journal.1")) as copy:
        assert [event.kind for event in copy.events()][:2] == ["start", "settings"]


def test_idle_readings_are_thinned_between_batches_only(tmp_path: Path) -> None:
    settings = at(tmp_path, thin_after_days=0.25)
    with running(settings, ManualClock(AFTERNOON)) as one:
        go_on(one, 0.5, every_s=10)
        batch = one.act("batch.start", name="first")["events"][0]["batch"]
        step(one, 48 * 3600)
        step(one, 24 * 3600)
        reader = reading(Path(settings.journal.path))
        assert reader.thinned() == [], "not while a batch is open"
        one.act("batch.discard", reason="no")
        one.daemon.house.writer.run(lambda db: db.execute("DELETE FROM batch WHERE id = ?", (batch,)).rowcount)
        step(one, 24 * 3600)
        (span,) = reader.thinned()
        assert span.reason == "idle" and span.dropped == 180 * 6 - 31 * 6
        reader.close()


class Ahead(SystemClock):
    """The machine's clock, its wall time put where the test wants it."""

    def __init__(self, wall_ms: int) -> None:
        super().__init__(assume_trusted=True)
        self.off_ms = wall_ms - super().wall_ms()

    def wall_ms(self) -> int:
        return super().wall_ms() + self.off_ms


def test_with_a_clock_of_its_own_a_thread_looks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(duty, "LOOK_EVERY_S", 0.02)
    folder, clock = tmp_path / "stick", Ahead(AFTERNOON)
    with running(at(tmp_path, backup_folder=str(folder)), clock) as one:
        until(lambda: one.daemon.duty.facts().duties, what="the first look")
        clock.off_ms += 12 * H
        until((folder / "kojimon.journal.1").exists, what="the backup of the night")
        assert one.daemon.duty.facts() == DutyHealth(duties=["summary", "backup", "thin"], failed=[])


@pytest.mark.slow
def test_a_simulated_night_is_summed_up_at_the_same_moment_each_time(tmp_path: Path) -> None:
    stories = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        settings = simulated_site(tmp_path / name, seed=2, hours=13.0)
        assert run_daemon(settings) == 0
        (told,) = summaries(settings)
        stories.append((told.t_ms, says(told)))
    assert stories[0] == stories[1]
    assert 25 < stories[0][1]["low_c"] <= stories[0][1]["high_c"] < 40
