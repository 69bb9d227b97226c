"""Everything a schedule file may hold, described once: name, kind, unit, default, help."""

from __future__ import annotations

from typing import Final

from kojimon.document.shapes import Each, Field, Items, Map, Shape, Shared, Variants
from kojimon.document.values import (
    Name,
    Value,
    amount,
    choice,
    difference,
    duration,
    flag,
    percent,
    prose,
    temperature,
    text,
    whole,
)  # fmt: skip
from kojimon.model import BoxKind, Cover, Place, Priority
from kojimon.schedule.spec import BoxWatch, Condition, Expectation, Gate, Limit, Schedule, Stage, Step

WORK: Final = ("none", "inoculate", "mix", "spread", "wrap", "unwrap", "swap", "harvest", "look")
GRAIN: Final = ("table-rice", "polished-rice", "barley", "soybeans-wheat")
HOUR_S: Final = 3600.0
LONGEST_S: Final = 240 * HOUR_S
"""Ten days: longer than any koji (soy-sauce koji of the textbook table: 72 h)."""

_STEP: Final = Name("the name of a step")
_CONDITION: Final = Name("the name of a condition")
_WAIT: Final = duration(0, LONGEST_S)


def _sentences(what: str) -> Items:
    return Items(f"a list of {what}", prose("a sentence"), most=20)


_WHEN: Final = "a moment: hours since hour 0 as in `18 h`, or a map with `after`, `holds`, `first_of` or `last_of`"
MOMENT: Final = Shared("moment", _WHEN, lambda: _MOMENT)
_MOMENTS: Final = Items("a list of moments", MOMENT, least=1, most=8)
_MOMENT: Variants = Variants(
    _WHEN,
    _WAIT,
    {
        "after": Map(
            "a map with `after` and `wait`",
            [
                Field("after", _STEP, "Step from whose (last) doing the time counts.", required=True),
                Field("wait", _WAIT, "How long after it.", default=0.0),
            ],
        ),
        "holds": Map(
            "a map with `holds` and `since`",
            [
                Field("holds", _CONDITION, "Condition that has held for its time.", required=True),
                Field(
                    "since",
                    _STEP,
                    "Step from whose (last) doing it counts; without it from hour 0. A step that repeats counts from"
                    " hour 0 until it has been done once.",
                    default="",
                ),
            ],
        ),
        "first_of": Map(
            "a map with `first_of`", [Field("first_of", _MOMENTS, "The earliest of these.", required=True)]
        ),
        "last_of": Map(
            "a map with `last_of`",
            [Field("last_of", _MOMENTS, "The latest of these, once all are there.", required=True)],
        ),
    },
)


def _limit(level: Value, deadband: Value, usual_deadband: float, priority: Shape) -> Map:
    return Map(
        "a limit (`at`, `delay`, `priority`)",
        [
            Field("at", level, "The limit; reaching it counts as beyond it.", "limit", required=True),
            Field("delay", duration(0, 12 * HOUR_S), "How long the value must stay at or beyond it.", "on_delay_s",
                  required=True, was="for"),
            Field("priority", priority, "What the alarm does to a sleeper: `wake`, `tell` by day, or `log` only.",
                  required=True),
            Field("clears_after", duration(0, 2 * HOUR_S), "How long it must stay back before the alarm clears.",
                  "off_delay_s"),
            Field("deadband", deadband, "How far back it must come before the alarm clears.", default=usual_deadband),
            Field("samples", whole(1, 100), "At least so many samples in a row as well.", "min_samples"),
            Field("latch", flag(), "Stays listed once reached, even when it is back, until you reset it."),
        ],
        Limit,
    )  # fmt: skip


def _band(quantity: str, limit: Map) -> Map:
    return Map(
        f"limits of {quantity} (`low`, `high`, ...)",
        [
            Field("low_low", limit, "Far too low."),
            Field("low", limit, "Too low."),
            Field("high", limit, "Too high."),
            Field("high_high", limit, "Far too high."),
            Field("ramp", duration(0, 24 * HOUR_S),
                  "Time over which the limits move here from those of the stage before; without it at once.",
                  "ramp_s", default=0.0),
        ],
    )  # fmt: skip


_ANY: Final = choice(Priority.WAKE, Priority.TELL, Priority.LOG)
_QUIET: Final = choice(Priority.TELL, Priority.LOG, reason=" (only the koji's own temperature may wake)")
_HOT: Final = temperature(-10, 80)
_KOJI: Final = _limit(_HOT, difference(0, 5), 0.3, _ANY)
_AIR: Final = _limit(_HOT, difference(0, 5), 0.5, _QUIET)
_DAMP: Final = _limit(percent(0, 100), percent(0, 20), 3.0, _QUIET)


def _place(koji: bool, humidity: bool) -> Map:
    fields = [Field("temperature", _band("temperature", _KOJI if koji else _AIR), "Limits of its temperature.")]
    damp = [Field("humidity", _band("humidity", _DAMP), "Limits of its relative humidity.")] if humidity else []
    return Map("a map with `temperature`" + (" or `humidity`" if humidity else ""), fields + damp)


BANDS: Final = Map(
    "a map with `bed`, `air`, `room` or `wet-bulb`",
    [
        Field("bed", _place(koji=True, humidity=True), "Limits of the koji itself."),
        Field("air", _place(koji=False, humidity=True), "Limits of the air in the box."),
        Field("room", _place(koji=False, humidity=True), "Limits of the room around it."),
        Field("wet-bulb", _place(koji=False, humidity=False), "Limits of the wet bulb."),
    ],
)

_WATCHED: Final = Field("place", choice(*Place), "Where.", required=True)
_WATCH_PRIORITY: Final = Field("priority", _ANY, "What happens then.", default=Priority.TELL.value)


def _watch(key: str, what: str, help_text: str, fields: list[Field]) -> Map:
    inner = Map(f"a map with {what}", [_WATCHED, *fields, _WATCH_PRIORITY])
    return Map(f"a map with `{key}`", [Field(key, inner, help_text, required=True)])


WATCH: Final = Variants(
    "a watch: a map with `deviation` or `exposure`",
    None,
    {
        "deviation": _watch("deviation", "`place`, `target`, `above`, `below`, `delay`", "Straying from a target.", [
            Field("target", amount(), "What it should be.", required=True),
            Field("above", amount(), "How far above is too far.", default=None),
            Field("below", amount(), "How far below is too far.", default=None),
            Field("delay", duration(0, 12 * HOUR_S), "For how long.", "for_s", default=1800.0, was="for"),
        ]),
        "exposure": _watch("exposure", "`place`, `at_least`, `total`", "Too long at or above a value, all in all.", [
            Field("at_least", amount(), "Value from which time counts.", required=True),
            Field("total", duration(60, LONGEST_S), "How much of it is too much.", "total_s", required=True),
        ]),
    },
)  # fmt: skip

BOX: Final = Map(
    "a map with `watch`, `falls`, `off_after`, ...",
    [
        Field("watch", flag(), "Whether the box's own air tells that it is off or running away.", default=True),
        Field("falls", difference(0.5, 30), "So far below its usual level ...", "falls_k"),
        Field("off_after", duration(60, 6 * HOUR_S), "... for so long, the box counts as off.", "off_after_s"),
        Field("rises", difference(0.5, 30), "So far above its usual level and beyond the air limit of the stage ...",
              "rises_k"),
        Field("hot_after", duration(60, 6 * HOUR_S), "... for so long, the box counts as running away.",
              "hot_after_s"),
    ],
    BoxWatch,
)  # fmt: skip

STAGE: Final = Map(
    "a stage (`label`, `begins`, ...)",
    [
        Field("label", text("a text of one line", 60), "What a cook calls it.", required=True),
        Field("begins", MOMENT, "When it begins. The last stage that has begun is the one that holds.", required=True),
        Field("blind", duration(60, 24 * HOUR_S, words={"never": 0.0}),
              "How long the koji may go unseen (no good probe in it) before a person is woken.", "blind_s"),
        Field("bands", BANDS, "Limits while it lasts.", default={}),
        Field("watches", Items("a list of watches", WATCH, most=20), "What else is watched while it lasts.",
              default=()),
    ],
    Stage,
)  # fmt: skip

CONDITION: Final = Map(
    "a condition (`place`, `at_least` or `at_most`, `delay`)",
    [
        Field("place", choice(*Place), "Where.", required=True),
        Field("at_least", amount(), "True from this value up. A value in % means humidity."),
        Field("at_most", amount(), "True from this value down."),
        Field("above", choice(*Place), "Then the value is the difference to this other place.", default=""),
        Field("itself_at_least", amount(), "With `above`: the place itself must be at this value or more as well, since"
              " a difference also grows when the other place cools.", default=None),
        Field("delay", duration(0, 12 * HOUR_S), "How long it has to be true to hold.", "hold_s", default=0.0,
              was="for"),
        Field("from", _WAIT, "It does not count before so long after hour 0, and warm koji only while no fresh air"
              " is hotter: else the box warms it.", "from_s", default=0.0),
        Field("own_rise", amount(), "It does not count before the koji has risen so far by its own heat: a rise that"
              " its box does not explain. For the koji's temperature only.", default=None),
        Field("own_fall", amount(), "It does not count before so much of the koji's height above the air, in % of the"
              " most, is gone for good. For the koji's temperature only.", default=None),
        Field("unseen", duration(0, 72 * HOUR_S), "Where no probe is in its place: it holds so long after it begins to"
              " count, by the clock alone.", "unseen_s", default=None),
        Field("usual_from", _WAIT, "For the timetable alone: after hour 0 it usually comes from then on ...",
              "usual_from_s", default=0.0),
        Field("usual_to", _WAIT, "... until then.", "usual_to_s", default=0.0),
    ],
    Condition,
)  # fmt: skip

GATE: Final = Map(
    "a gate (`place`, `at_least` or `at_most`)",
    [
        Field("place", choice(*Place), "Where.", required=True),
        Field("at_least", amount(), "Passed from this value up."),
        Field("at_most", amount(), "Passed from this value down."),
        Field("tolerance", amount(), "How much beside it passes as well. Without it 0.5 C (0.9 F), or 3 %.",
              default=None),
    ],
    Gate,
)  # fmt: skip

COVERS: Final = tuple(cover for cover in Cover if cover != Cover.UNKNOWN)
STANDS: Final = (*COVERS, "heat-off")
BOXES: Final = (*BoxKind, *STANDS, *(f"{kind}/{one}" for kind in BoxKind for one in STANDS))

STEP: Final = Map(
    "a step (`label`, `opens`, ...)",
    [
        Field("label", text("a text of one line", 60), "The plain words for it.", required=True),
        Field("trade", text("a word", 60), "The trade's own word for it."),
        Field("work", choice(*WORK), "What it does to the koji. `look` is something seen: never due."),
        Field("opens", MOMENT, "From when it can be done; a quiet message.", default=None),
        Field("due", MOMENT, "When it is due; a message.", default=None),
        Field("closes", MOMENT, "When it is missed; a message, unless it is optional.", default=None),
        Field("gate", GATE, "What has to be so when it is marked as done.", default=None),
        Field("repeats", flag(), "Once done it opens again by its own window."),
        Field("optional", flag(), "No message comes when it was missed."),
        Field("lasts", duration(0, 72 * HOUR_S), "How long it takes; what holds `since` it, from then.", "lasts_s"),
        Field("advice", _sentences("sentences"), "What to do."),
        Field("advice_in", Each("a map of kinds of box and covers", choice(*BOXES), _sentences("sentences"), least=0),
              "What else to do in each kind of box (`unknown` for kinds that are not named); instead of that under a"
              " cover (`cloth`), in a kind under a cover (`fan/cloth`), or where the heat was said to be off"
              " (`heat-off`).", default={}),
        Field("cautions", _sentences("sentences"), "What can hurt at this step."),
    ],
    Step,
)

EXPECTATION: Final = Map(
    "an expectation (`label`, `any_of`, `by`, ...)",
    [
        Field("label", text("a text of one line", 60), "What to say when it has not come about.", required=True),
        Field("any_of", Items("a list of conditions", _CONDITION, least=1, most=8, unique=True),
              "Conditions of which any one will do, once it has held for its time.", required=True),
        Field("by", MOMENT, "By when.", required=True),
        Field("priority", _QUIET, "What happens otherwise."),
        Field("causes", _sentences("causes"), "What to check then."),
    ],
    Expectation,
)  # fmt: skip

SCHEDULE: Final = Map(
    "a schedule (`label`, `stages`, `steps`, ...)",
    [
        Field("label", text("a text of one line", 60), "Its name on screens.", required=True),
        Field("purpose", text("a text of one line", 60), "What the koji is for.", required=True),
        Field("grain", choice(*GRAIN), "What it grows on: the weights of a plan go by it.", default=""),
        Field("conditions", Each("a map of conditions", _CONDITION, CONDITION, least=0, most=50),
              "Statements about a place, by names of your own.", default={}),
        Field("stages", Each("a map of stages", Name("the name of a stage"), STAGE, most=20),
              "The parts of the batch, in order.", required=True),
        Field("steps", Each("a map of steps", _STEP, STEP, most=50), "The work by hand, in order.", required=True,
              was="tasks"),
        Field("expectations", Each("a map of expectations", Name("the name of an expectation"), EXPECTATION, least=0,
                                   most=20),
              "What should come about by itself.", default={}),
        Field("cautions", _sentences("sentences"), "What can hurt, for the whole batch."),
        Field("box", BOX, "How kojimon knows that the box is off or running away.", default={}),
        Field("response", duration(60, 6 * HOUR_S),
              "How long a person needs from the alarm message to the koji; a limit nearer than that is told ahead.",
              "response_s"),
    ],
    Schedule,
)  # fmt: skip
