"""What is pressed: the buttons of an alarm, and the fields of each answer to what is asked. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from hashlib import sha256
from typing import Final
from urllib.parse import urlencode

from msgspec import Struct

from kojimon.contract import state as doc
from kojimon.words.listed import Listed

PAUSES_MIN: Final = (10, 30, 60)
LABELS: Final = {
    "alarm.acknowledge": "Acknowledge",
    "alarm.confirm": "Done: I have fixed it",
    "alarm.reset": "Reset",
    "alarm.unshelve": "End pause",
    "alarm.in_service": "Put back in service",
}


class Button(Struct, frozen=True):
    """A button that does an act: its words, its act, the act's fields as text."""

    label: str
    kind: str
    fields: dict[str, str]
    first: bool = False

    @property
    def pause(self) -> bool:
        """Whether it pauses an alarm."""
        return self.kind == "alarm.shelve"

    @property
    def key(self) -> str:
        """Makes a press of this button one act, however often it is sent."""
        return press(self.kind, self.fields.get("for_s", ""), self.fields["idempotency"])

    @property
    def form(self) -> dict[str, str]:
        """The fields of its form."""
        return {"kind": self.kind, **self.fields, "idempotency": self.key}


class Alarm(Listed, frozen=True, kw_only=True):
    """An alarm with its buttons.

    Attributes:
        silences: for how long its noise may stop while nobody has seen to it; none where it makes none.
        repair: where it can be taken out of service; "" where it is, or cannot be.
    """

    buttons: tuple[Button, ...]
    silences: tuple[Button, ...]
    repair: str


def with_buttons(alarms: Sequence[doc.Alarm], said: Sequence[Listed]) -> tuple[Alarm, ...]:
    """Alarms of the state document as they are said, with what can be done about each."""
    return tuple(_with_buttons(*pair) for pair in zip(alarms, said, strict=True))


def _with_buttons(alarm: doc.Alarm, said: Listed) -> Alarm:
    # The same press twice is one act; after a further call, or another state, it is a new one.
    again = f"{alarm.key}#{alarm.occurrence}.{alarm.calls}.{alarm.state}"
    own = {"key": alarm.key, "occurrence": str(alarm.occurrence), "idempotency": again}
    pauses, silences = (tuple(_lasting(kind, own, said)) for kind in ("alarm.shelve", "alarm.silence"))
    first = said.acts[0] if said.acts and alarm.state not in ("RTNUN", "LATCH-UNACK") else ""
    buttons = [Button(LABELS[kind], kind, own, kind == first) for kind in said.acts if kind in LABELS]
    repair = "/repair?" + urlencode({"box": said.box, "key": alarm.key})
    return Alarm(
        **{name: getattr(said, name) for name in Listed.__struct_fields__},
        buttons=(*buttons, *pauses), silences=silences,
        repair=repair if "alarm.out_of_service" in said.acts else "",
    )  # fmt: skip


def _lasting(kind: str, own: dict[str, str], said: Listed) -> Iterator[Button]:
    for minutes in PAUSES_MIN if kind in said.acts else ():
        yield Button(f"{minutes} min", kind, {**own, "for_s": str(minutes * 60)})


class Question(Struct, frozen=True):
    """How a question is answered: the fields of yes, and of no where there is one; where another time is said."""

    yes: dict[str, str]
    no: dict[str, str] = {}
    link: str = ""


def answers_of(box: doc.Box) -> Question | None:
    """The answers to the question that is open for a box; None for none."""
    what = box.question
    if what is None:
        return None
    if what.key != "mix-guess":
        key = press(box.batch_id, "probe.back", str(what.mark))
        return Question({"kind": "probe.back", "incubator": box.name, "idempotency": key})
    yes, no = (mix_answer(box, what, said) for said in ("yes", "no"))
    return Question(yes, no, f"/mixed/{box.name}")


def mix_answer(box: doc.Box, what: doc.Question, mixed: str) -> dict[str, str]:
    """The fields of an answer to whether koji that cooled suddenly was mixed: `yes` or `no`."""
    key = press(box.batch_id, "mix.answer", str(what.at_t_ms), mixed)
    own = {"guess_ms": str(what.at_t_ms), "mixed": mixed, "idempotency": key}
    return {"kind": "mix.answer", "incubator": box.name, **own}


def press(*parts: str) -> str:
    """An idempotency key made of what a press is about."""
    return f"page-{sha256('/'.join(parts).encode()).hexdigest()[:24]}"
