"""A probe's place, from how it moves with the air: on series made for it."""

from math import pi, sin
from typing import Any

import pytest

from kojimon.model import Quality
from kojimon.probes.judging.judge import MINUTE_MS, Minute, Watch
from kojimon.probes.judging.limits import limits_of
from kojimon.probes.judging.neighbours import Closer, Incubator, watch_all
from kojimon.probes.judging.placement import borrowed, is_back, is_exchanged, is_put_back, left_out, swing, swings_along
from kojimon.settings.spec import Probe


def air(minute: int) -> float:
    """A thermostat's cycle of 15 min, 1 K up and down."""
    return 30.0 + sin(2 * pi * minute / 15)


def minutes(of: Any, count: int = 60) -> list[Minute]:
    return [Minute(at * MINUTE_MS, of(at), of(at)) for at in range(count)]


def compared(probe: Any, other: Any = air) -> Any:
    now = swing(minutes(probe), minutes(other), 59 * MINUTE_MS)
    assert now is not None
    return now


def koji(minute: int) -> float:
    return 33.0 + minute / 60 + 0.05 * sin(2 * pi * (minute - 3) / 15)


def test_koji_sleeps_through_the_thermostat() -> None:
    now = compared(koji)
    assert not swings_along(now)
    assert is_back(now, along=False)
    assert not is_exchanged(now)


@pytest.mark.parametrize(
    "probe",
    [
        lambda at: 0.8 * air(at) + 6.8,  # on the rim
        lambda at: 0.5 * air(at) + 16.5,  # on the tray's metal
        lambda at: 0.45 * air(at) + 14.0,  # under the wet towel
        lambda at: 36 + 2.5 * sin(2 * pi * (at + 3) / 15),  # on the heater
    ],
)
def test_a_probe_out_of_the_koji_swings_along(probe: Any) -> None:
    now = compared(probe)
    assert swings_along(now)
    assert not is_back(now, along=True)
    assert not is_exchanged(now)


def test_warmth_is_no_sign_while_the_probe_swings_along() -> None:
    """On the tray's metal it is half as warm as hot koji, and calm between two swings of the thermostat."""
    calm = swing(minutes(lambda at: 36.0, 12), minutes(lambda at: 30.0, 12), 11 * MINUTE_MS, 12 * MINUTE_MS)
    assert calm is not None and is_back(calm, along=False) and not is_back(calm, along=True)


@pytest.mark.parametrize(
    ("after", "wanted"),
    [
        (lambda at: 36.0, True),  # far above the air
        (lambda at: 32.0, True),  # calm while the air swings
        (lambda at: 0.5 * air(at) + 18.5, False),  # from the rim onto the tray's metal
        (lambda at: 0.8 * air(at) + 8.0, False),
        (lambda at: 36.0 - 0.2 * (at - 51), False),  # warm from the hand, and cooling
    ],
)
def test_a_probe_that_was_put_back_is_believed_within_minutes(after: Any, wanted: bool) -> None:
    """On the rim until minute 51, then elsewhere; looked at in minute 59."""

    def probe(at: int) -> float:
        return 0.8 * air(at) + 6.2 if at < 51 else float(after(at))

    assert is_put_back(minutes(probe), minutes(air), 59 * MINUTE_MS) is wanted
    assert not is_put_back(minutes(probe, 56), minutes(air, 56), 55 * MINUTE_MS), "not before it has been calm"
    assert not is_put_back(minutes(lambda at: 0.8 * air(at) + 6.2), minutes(air), 59 * MINUTE_MS), "never moved"


def test_exchanged_probes() -> None:
    now = compared(air, koji)
    assert is_exchanged(now)
    assert not swings_along(now)


@pytest.mark.parametrize(
    ("probe", "other"),
    [
        (lambda at: 30.0 + at / 100, lambda at: 30.0 + at / 100),  # nothing swings
        (lambda at: 40 * 0.95**at + 30, lambda at: 30 + 8 * (at > 30)),  # cooling rice, a lid
        (lambda at: 36 - 4 * (28 <= at < 36), lambda at: 30 - 8 * (28 <= at < 36)),  # a lid, koji that feels it
    ],
)
def test_where_nothing_can_be_told_nothing_is(probe: Any, other: Any) -> None:
    now = compared(probe, other)
    assert not swings_along(now)
    assert not is_exchanged(now)


def test_too_few_minutes_or_an_air_probe_of_another_hour_say_nothing() -> None:
    assert swing(minutes(koji, 10), minutes(air, 10), 9 * MINUTE_MS) is None
    later = [one._replace(t_ms=one.t_ms + 10**8) for one in minutes(air)]
    assert swing(minutes(koji), later, 59 * MINUTE_MS) is None
    assert swing(minutes(koji), [], 59 * MINUTE_MS) is None


def test_a_tray_at_the_airs_temperature_while_all_others_are_far_above() -> None:
    assert left_out(30.5, 30.0, [34.0, 36.0])
    assert not left_out(30.5, 30.0, [34.0, 32.0])
    assert not left_out(32.0, 30.0, [36.0])
    assert not left_out(30.5, 30.0, [])


def test_hot_rice_is_not_koji() -> None:
    assert borrowed(minutes(lambda at: 32.0 if at < 58 else 85.0), 59 * MINUTE_MS)
    assert not borrowed(minutes(lambda at: 32.0 + at / 2), 59 * MINUTE_MS), (
        "half an hour is how koji may truly run away"
    )
    assert not borrowed(minutes(lambda at: 85.0 - at / 4), 59 * MINUTE_MS), "rice that is still cooling"
    assert not borrowed(minutes(lambda at: 38.0 + at / 10), 59 * MINUTE_MS), "hot koji"
    assert not borrowed([], 0)


def watched() -> tuple[Watch, Watch]:
    bed, other = (Probe(name, "box", name, "temperature", "s") for name in ("bed", "air"))
    pair = Watch(bed, limits_of(bed)), Watch(other, limits_of(other))
    watch_all(pair)
    return pair


def closer(pair: tuple[Watch, Watch], since: int, until: int) -> None:
    """Work on the koji at one minute, looked at more closely until another."""
    group = pair[0].group
    assert isinstance(group, Incubator)
    group.look_closer(Closer(since * MINUTE_MS, until * MINUTE_MS))


def feed(pair: tuple[Watch, Watch], bed: Any, other: Any, start: int, count: int) -> tuple[int, int]:
    found = (0, 0)
    for at in range(start, start + count):
        air_verdict = pair[1].judge(at * MINUTE_MS, other(at), other(at))
        found = (pair[0].judge(at * MINUTE_MS, bed(at), bed(at)), air_verdict)
    return found


def test_left_on_the_rim_and_put_back() -> None:
    pair = watched()
    assert feed(pair, koji, air, 0, 120) == (Quality.GOOD, Quality.GOOD)
    assert feed(pair, lambda at: 0.8 * air(at) + 6.8, air, 120, 60) == (Quality.OUT_OF_KOJI, Quality.GOOD)
    assert feed(pair, koji, air, 180, 25) == (Quality.GOOD, Quality.GOOD)


def test_put_back_in_the_hot_hours_when_nothing_swings() -> None:
    pair = watched()
    feed(pair, lambda at: 0.8 * air(at) + 6.8, air, 0, 60)
    quiet = feed(pair, lambda at: 31.0, lambda at: 30.5, 60, 60)
    assert quiet[0] == Quality.OUT_OF_KOJI, "still out, as far as anybody can tell"
    assert feed(pair, lambda at: 38.0, lambda at: 30.5, 120, 30)[0] == Quality.GOOD


def test_exchanged_and_put_right() -> None:
    pair = watched()
    assert feed(pair, air, koji, 0, 60) == (Quality.SWAPPED, Quality.SWAPPED)
    assert feed(pair, koji, air, 60, 70) == (Quality.GOOD, Quality.GOOD)


def lid(minute: int) -> float:
    """The thermostat's air, and a lid that is open from minute 60 for 4 minutes: 8 K colder, then warming again."""
    return air(minute) - (8.0 * 0.7 ** max(0, minute - 64) if minute >= 60 else 0.0)


def rim(minute: int) -> float:
    """Koji until minute 60, then on the rim."""
    return koji(minute) if minute < 60 else 0.8 * lid(minute) + 6.8


def first_out(bed: Any, *, asked: bool, until: int = 180) -> int | None:
    """Minutes from minute 60 until the probe is called out of the koji."""
    pair = watched()
    feed(pair, bed, lid, 0, 60)
    if asked:
        closer(pair, 60, until)
    for minute in range(60, 180):
        if feed(pair, bed, lid, minute, 1)[0] == Quality.OUT_OF_KOJI:
            return minute - 60
    return None


def test_left_on_the_rim_at_a_mixing_is_seen_sooner_while_it_is_asked_about() -> None:
    soon, usual = first_out(rim, asked=True), first_out(rim, asked=False)
    assert soon is not None and usual is not None
    assert soon <= 30 < usual, (soon, usual)


def test_koji_itself_is_not_doubted_sooner() -> None:
    def mixed(minute: int) -> float:
        """Two degrees colder by the mixing, and warming again."""
        return koji(minute) - (2.0 * 0.98 ** (minute - 60) if minute >= 60 else 0.0)

    assert first_out(mixed, asked=True) is None


def test_an_answer_ends_the_closer_look_and_what_is_seen_stands_until_it_is_put_right() -> None:
    assert first_out(rim, asked=True, until=70) == first_out(rim, asked=False)
    pair = watched()
    feed(pair, rim, lid, 0, 60)
    closer(pair, 60, 180)
    assert feed(pair, rim, lid, 60, 35)[0] == Quality.OUT_OF_KOJI
    closer(pair, 95, 95)
    assert feed(pair, rim, lid, 95, 10)[0] == Quality.OUT_OF_KOJI
    assert feed(pair, koji, lid, 105, 30)[0] == Quality.GOOD


def test_among_trays_one_at_the_air_s_temperature_is_seen_sooner_too() -> None:
    def minutes_until(asked: bool) -> int:
        probes = [Probe(n, "box", p, "temperature", "s") for n, p in (("a", "bed"), ("b", "bed"), ("air", "air"))]
        watches = [Watch(one, limits_of(one)) for one in probes]
        group = watch_all(watches)["box"]
        if asked:
            group.look_closer(Closer(0, 7_200_000))
        for minute in range(90):
            for one, value in zip(watches, (30.3, 36.0, 30.0), strict=True):
                if one.judge(minute * MINUTE_MS, value, value) == Quality.OUT_OF_KOJI:
                    return minute
        raise AssertionError("never seen")

    assert minutes_until(True) < 15
    assert minutes_until(False) > 25
