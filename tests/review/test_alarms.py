"""The measures of a batch's alarms, on events of a small story counted by hand."""

from typing import Any

from kojimon.model import Event
from kojimon.review.measure.alarms import alarm_figures, peak_rate
from tests.parts.inputs import event_row

MIN = 60_000


class Alarms:
    """Writes alarm events."""

    def __init__(self) -> None:
        self.events: list[Event] = []

    def add(self, minute: float, key: str, event: str, to: str, occurrence: int = 1, **more: Any) -> None:
        data = {"event": event, "from": "", "to": to, "occurrence": occurrence, "priority": "wake", **more}
        no = len(self.events) + 1
        self.events.append(event_row(no, round(minute * MIN), "alarm", "box", "b", key, data))


def test_one_alarm_answered_and_over() -> None:
    """Calls at minute 10, again at 30, answered at 31, over at 50: 40 min active, 21 min unanswered, got up twice."""
    one = Alarms()
    one.add(10, "limit/bed/temperature/high", "on", "UNACK")
    one.add(30, "limit/bed/temperature/high", "re", "UNACK")
    one.add(31, "limit/bed/temperature/high", "ack", "ACKED")
    one.add(50, "limit/bed/temperature/high", "off", "NORM")
    found = alarm_figures(one.events, 0, 100 * MIN)
    assert (found.count, found.wakings, found.woken, found.unseen) == (1, 2, 1, 0)
    assert found.longest_active is not None and found.longest_active[0] == 40 * MIN
    assert found.longest_unacknowledged is not None and found.longest_unacknowledged[0] == 21 * MIN
    assert found.most_recalls is not None and found.most_recalls[0] == 1
    assert (found.peak_rate, found.mean_rate) == (1, 0.1)


def test_it_came_and_went() -> None:
    one = Alarms()
    one.add(5, "silent/k", "on", "UNACK", priority="tell")
    one.add(9, "silent/k", "off", "RTNUN", priority="tell")
    found = alarm_figures(one.events, 0, 60 * MIN)
    assert (found.unseen, found.wakings, found.count) == (1, 0, 1)
    assert found.longest_unacknowledged is not None and found.longest_unacknowledged[0] == 55 * MIN


def test_held_back_by_work_it_called_nobody() -> None:
    one = Alarms()
    one.add(5, "limit/bed/temperature/high", "on", "DSUPR")
    one.add(9, "limit/bed/temperature/high", "off", "NORM")
    assert alarm_figures(one.events, 0, 60 * MIN).count == 0


def test_what_hung_on_a_reading_that_was_taken_back_does_not_count() -> None:
    one = Alarms()
    one.add(5, "limit/bed/temperature/high", "on", "UNACK")
    one.add(7, "limit/bed/temperature/high", "off", "RTNUN", ended="undone")
    one.add(8, "limit/bed/temperature/high", "ack", "NORM")
    found = alarm_figures(one.events, 0, 60 * MIN)
    assert (found.count, found.wakings, found.woken, found.unseen) == (0, 0, 0, 0)


def test_what_is_only_written_down_or_a_test_does_not_count() -> None:
    one = Alarms()
    one.add(5, "limit/air/humidity/low", "on", "UNACK", priority="log")
    one.add(6, "test", "on", "UNACK", test=True)
    assert alarm_figures(one.events, 0, 60 * MIN).count == 0


def test_chatter_and_peak() -> None:
    """Three calls within 40 s chatter (alarms.bursts: three within a minute); three in ten minutes are the peak."""
    one = Alarms()
    for number, minute in enumerate((10.0, 10.3, 10.6), 1):
        one.add(minute, "silent/k", "on", "UNACK", number, priority="tell")
        one.add(minute + 0.1, "silent/k", "off", "RTNUN", number, priority="tell")
    one.add(40, "silent/other", "on", "UNACK", priority="tell")
    found = alarm_figures(one.events, 0, 100 * MIN)
    assert found.chattering == ("box/silent/k",)
    assert (found.peak_rate, found.count) == (3, 4)


def test_ten_minutes_are_half_open() -> None:
    assert peak_rate([0, 10 * MIN]) == 1
    assert peak_rate([0, 10 * MIN - 1]) == 2
    assert peak_rate([]) == 0


def test_time_paused_adds_up() -> None:
    one = Alarms()
    one.add(10, "silent/k", "on", "UNACK")
    one.add(12, "silent/k", "shelve", "SHLVD")
    one.add(42, "silent/k", "unshelve", "UNACK")
    one.add(50, "silent/k", "shelve", "SHLVD")
    assert alarm_figures(one.events, 0, 60 * MIN).shelved_ms == 40 * MIN
