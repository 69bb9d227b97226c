"""What the engine states of a batch, its steps and what people do; the other half and the whole list: `events`."""

from __future__ import annotations

from typing import ClassVar, Final

from msgspec import Struct

from kojimon.contract.steps import TooHot

WEIGHED: Final = ("dry", "soaked", "steamed", "seeded", "work", "harvest")
"""At which states of the grain it is weighed: `seeded` with the spores on, `work` at a mixing or spreading."""
VESSELS: Final = {"dry": "bag", "soaked": "bowl", "steamed": "bowl", "seeded": "tray", "work": "tray",
                  "harvest": "tray"}  # fmt: skip
"""What it is weighed in: whose empty weight, once given, is taken off until it is given anew."""


class Fact(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Something that happened."""

    kind: ClassVar[str] = ""
    act: int = 0


class Said(Fact, frozen=True, kw_only=True):
    """Something a person did or said: who, as the door knows them, and over which channel."""

    who: str = ""
    channel: str = ""


# --- the batch ------------------------------------------------------------------------------------------------------


class BatchStart(Said, frozen=True, kw_only=True):
    """A batch is open."""

    kind = "batch-start"
    name: str = ""
    schedule: str = ""
    rice_kg: float | None = None
    note: str = ""


class BatchHarvest(Said, frozen=True, kw_only=True):
    """The koji is out; `hours` since the spores. `at_ms`: when, where that was earlier than it was said."""

    kind = "batch-harvest"
    name: str = ""
    hours: float | None = None
    yield_kg: float | None = None
    note: str = ""
    at_ms: int | None = None


class BatchDiscard(Said, frozen=True, kw_only=True):
    """The batch was thrown away."""

    kind = "batch-discard"
    name: str = ""
    hours: float | None = None
    reason: str = ""


class BatchReopened(Said, frozen=True, kw_only=True):
    """The last end is taken back.

    `was`: kind of the event of that end, at `ended_ms`; nobody judged the batch for `gap_ms`. What was learnt of it is
    unlearnt.
    """

    kind = "batch-reopened"
    name: str = ""
    was: str = ""
    ended_ms: int = 0
    gap_ms: int = 0


class Cooled(Fact, frozen=True, kw_only=True):
    """Harvested koji (key: the batch) is cool, by a probe, or by hand where none is named."""

    kind = "cooled"
    name: str = ""
    value_c: float = 0.0
    probe: str = ""


class BatchForgotten(Fact, frozen=True, kw_only=True):
    """An open batch was never ended; told 8 h after its time, then once a day.

    Its window of the harvest closed at `closed_ms`; it ended probably at `ended_ms`, null where the koji still seems to
    lie there.
    """

    kind = "batch-forgotten"
    name: str = ""
    closed_ms: int | None = None
    ended_ms: int | None = None


class Note(Said, frozen=True, kw_only=True):
    """What somebody saw."""

    kind = "note"
    text: str = ""
    at_ms: int | None = None
    photo: str = ""


class Weighed(Said, frozen=True, kw_only=True):
    """What was weighed at a stage (key), without its vessel, which weighs `tare_kg`."""

    kind = "weighed"
    kg: float = 0.0
    tare_kg: float = 0.0
    at_ms: int = 0


class Unweighed(Said, frozen=True, kw_only=True):
    """The last weight of a stage (key) that still stood is taken back."""

    kind = "unweighed"


class Verdict(Said, frozen=True, kw_only=True):
    """How the koji was; the last one said of a batch counts."""

    kind = "verdict"
    look: str = ""
    smell: str = ""
    taste: str = ""
    text: str = ""
    look_score: int | None = None
    smell_score: int | None = None
    taste_score: int | None = None

    @property
    def scores(self) -> dict[str, int]:
        """The scores given, by sense."""
        given = {"look": self.look_score, "smell": self.smell_score, "taste": self.taste_score}
        return {sense: score for sense, score in given.items() if score}

    @property
    def words(self) -> dict[str, str]:
        """What was said, by sense."""
        return {name: said for name in ("look", "smell", "taste") if (said := getattr(self, name))}


class Stage(Fact, frozen=True, kw_only=True):
    """A stage of the schedule begins (key: its name)."""

    kind = "stage"
    label: str = ""
    before: str = ""


class Warmth(Fact, frozen=True, kw_only=True):
    """Of the koji's own heat, once it should have had it; told.

    Key: unknown (`doubt`, as in the state document: why it cannot be known); late (it began at that `hour` since the
    spores, and the harvest opens so much later, at `opens_hour`); cools (koji alone is measured, and cools for hours);
    unseen (nobody watches it in its hot hours; `doubt`: `probe-out`, `no-probe` or `by-hand`).
    """

    kind = "warmth"
    doubt: str = ""
    hour: float | None = None
    opens_hour: float | None = None


# --- steps (key: the step's name) ------------------------------------------------------------------------------------


class Window(Fact, frozen=True, kw_only=True):
    """The window of a step. `doubt`, `too_hot`: as in the state document."""

    round: int = 1
    label: str = ""
    optional: bool = False
    closes_ms: int | None = None
    doubt: str = ""
    too_hot: TooHot | None = None


class StepOpen(Window, frozen=True, kw_only=True):
    """It may be done from now on."""

    kind = "step-open"


class StepDue(Window, frozen=True, kw_only=True):
    """It should be done now."""

    kind = "step-due"


class StepMissed(Window, frozen=True, kw_only=True):
    """Its time has passed, and it was not done."""

    kind = "step-missed"


class Checked(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What a gate asked and was told: `by` a probe's name or `thermometer`; `override`: why it was passed over."""

    value: float | None = None
    by: str = ""
    at_least: float | None = None
    at_most: float | None = None
    override: str = ""

    @property
    def asked(self) -> bool:
        """Whether there was a gate."""
        return self.at_least is not None or self.at_most is not None


class OfMark(Said, frozen=True, kw_only=True):
    """A mark of a step: its number, and when it was done."""

    mark: int = 0
    at_ms: int | None = None


class StepDone(OfMark, frozen=True, kw_only=True):
    """A step is marked as done.

    `opens_ms`, `due_ms`: its window where it was done before that opened. `mid_batch`: told with the batch's start.
    """

    kind = "step-done"
    label: str = ""
    work: str = "none"
    gate: Checked = Checked()
    opens_ms: int | None = None
    due_ms: int | None = None
    mid_batch: bool = False


class StepUndone(OfMark, frozen=True, kw_only=True):
    """A mark is taken back."""

    kind = "step-undone"


class StepCorrected(OfMark, frozen=True, kw_only=True):
    """A mark has another time."""

    kind = "step-corrected"
    before_ms: int | None = None


# --- what is read or seen ---------------------------------------------------------------------------------------------


class Reading(Said, frozen=True, kw_only=True):
    """What was read by hand.

    `back`: dated back, and judged by nothing. `beyond`: the limit it is beyond all the same, and calls nobody. `probe`,
    `probe_value`: one there that shows another.
    """

    kind = "reading"
    place: str = "bed"
    quantity: str = "temperature"
    tray: str = ""
    value: float = 0.0
    at_ms: int = 0
    quality: int = 0
    back: bool = False
    beyond: float | None = None
    probe: str = ""
    probe_value: float | None = None


class ReadingUndone(Said, frozen=True, kw_only=True):
    """A reading by hand (`reading`: number of its event) is taken back: it was never so."""

    kind = "reading-undone"
    reading: int = 0
    place: str = "bed"
    quantity: str = "temperature"
    tray: str = ""
    value: float = 0.0
    at_ms: int = 0


class MixGuess(Fact, frozen=True, kw_only=True):
    """The koji fell suddenly without a mark: somebody did `step` at `at_ms`? The windows follow it until answered."""

    kind = "mix-guess"
    at_ms: int = 0
    step: str = ""


class MixDenied(Said, frozen=True, kw_only=True):
    """The fall at `at_ms` was something else."""

    kind = "mix-denied"
    at_ms: int = 0


# --- acts -----------------------------------------------------------------------------------------------------------


class Refused(Fact, frozen=True, kw_only=True):
    """An act (key: its kind) is refused: `code` for the doors to word, `reason` in words, and what it hangs on."""

    kind = "refused"
    code: str = ""
    reason: str = ""
    alarm: str = ""
    occurrence: int | None = None
    step: str = ""
    mark: int | None = None
    probe: str = ""
    value: float | None = None
    by: str = ""
    at_least: float | None = None
    at_most: float | None = None

    @property
    def at_gate(self) -> bool:
        """Whether it is the gate of a step that did not let it pass."""
        return self.code in ("gate", "gate-unknown")


class Unchanged(Said, frozen=True, kw_only=True):
    """An act changes nothing, for the alarm (key) is so already."""

    kind = "unchanged"
    state: str = ""
    reason: str = ""


class Repeated(Fact, frozen=True, kw_only=True):
    """An act (key: its kind) with a key that was done already, in row `first`."""

    kind = "repeated"
    first: int = 0


class Ignored(Fact, frozen=True, kw_only=True):
    """An input (key: its kind) that means nothing here."""

    kind = "ignored"
    boot: int | None = None
    batch: str = ""
