"""Whatever happens and whatever fails: what wakes is called in time, nothing is dropped, and the plan comes to rest."""

from __future__ import annotations

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kojimon.notify.records import Channel
from tests.notify.board import DAY_UTC_MS, Board
from tests.parts.inputs import says
from tests.parts.size import size

H = 3600.0
KEYS = ("limit/bed/temperature/high", "blind/bed", "silent/p1", "box/off")
PRIORITY = {"silent/p1": "tell"}
STEPS = st.lists(
    st.tuples(st.sampled_from(KEYS), st.sampled_from(["on", "off", "ack", "up", "note"]), st.integers(1, 900)),
    min_size=1, max_size=25,
)  # fmt: skip
OUTAGES = st.lists(st.tuples(st.integers(0, 8000), st.integers(1, 4000)), max_size=3)
CHANNELS = (Channel("phone"), Channel("mail"), Channel("siren", tells=False, joins_s=240))


def tell(board: Board, key: str, signal: str) -> None:
    """Lets an alarm do it where it can."""
    now = board.alarms.get(f"box/{key}")
    active = now is not None and now.active
    if signal == "note":
        board.event("step-due", "mix")
    elif signal == "on" and not active:
        board.on(key, PRIORITY.get(key, "wake"))
    elif signal == "off" and active:
        board.off(key)
    elif signal == "ack" and active and now is not None and now.state == "UNACK":
        board.ack(key)
    elif signal == "up" and active:
        board.alarm(key, "up", "UNACK", priority="wake")


@settings(max_examples=size(40, 120), deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(STEPS, OUTAGES, st.integers(0, 23))
def test_any_story(steps: list[tuple[str, str, int]], outages: list[tuple[int, int]], hour: int) -> None:
    def works(name: str, at_s: float) -> bool:
        return name != "phone" or not any(begin <= at_s < begin + length for begin, length in outages)

    board = Board(*CHANNELS, utc_ms=DAY_UTC_MS + hour * 3_600_000, works=works)
    at_s = 0.0
    for key, signal, wait_s in steps:
        tell(board, key, signal)
        at_s += wait_s
        board.to(at_s)
        called_in_time(board, at_s, works)
    for key in KEYS:
        tell(board, key, "off")
    board.to(at_s + 30 * H)
    assert board.last.next_ms is None
    assert all(item.settled for item in board.items)
    nothing_dropped(board)


def called_in_time(board: Board, at_s: float, works: object) -> None:
    """A waking alarm that nobody has answered for a minute and a half has been called over a channel that works."""
    told = {name for one in board.sent if one.ok and one.send.urgent for name in one.send.messages}
    for item in board.items:
        event = item.event
        now = board.alarms.get(f"{event.incubator}/{event.key}")
        waits_s = at_s - (event.t_ms - 1_000_000) / 1000
        unanswered = now is not None and now.state == "UNACK" and now.occurrence == says(event).get("occurrence")
        if unanswered and says(event).get("priority") == "wake" and says(event)["event"] == "on" and waits_s > 90:
            assert item.message.id in told, (item, works)


def nothing_dropped(board: Board) -> None:
    """Every note, every first call and the last all-clear of every alarm reached the mail, which always works."""
    told = {name for one in board.sent if one.ok and one.send.channel == "mail" for name in one.send.messages}
    for item in board.items:
        event, name = item.event, item.message.id
        if event.kind != "alarm":
            assert name in told, item
            continue
        last = board.alarms[f"{event.incubator}/{event.key}"].occurrence
        if says(event)["occurrence"] == last and name.endswith(".over"):
            assert name in told, item
