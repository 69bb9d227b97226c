"""What the page asks of whoever looks, with the fields of each answer. Pure."""

from __future__ import annotations

from hashlib import sha256

from msgspec import Struct

from kojimon.contract import state as doc
from kojimon.words import question
from kojimon.words.speech import Speech


class Question(Struct, frozen=True):
    """What is asked, with its answers: the fields of yes, and of no where there is one; where another time is said."""

    text: str
    yes: str
    meanwhile: str
    fields: dict[str, str]
    no: str = ""
    no_fields: dict[str, str] = {}
    other: str = ""
    link: str = ""


def question_of(box: doc.Box, speech: Speech, now: str) -> Question | None:
    """The question that is open for a box; None for none."""
    asked, what = question.open_question(box, speech, now), box.question
    if asked is None or what is None:
        return None
    if what.key != "mix-guess":
        key = press(box.batch_id, "probe.back", str(what.mark))
        fields = {"kind": "probe.back", "incubator": box.name, "idempotency": key}
        return Question(asked.text, asked.yes, asked.meanwhile, fields)
    yes, no = (mix_answer(box, what, said) for said in ("yes", "no"))
    return Question(asked.text, asked.yes, asked.meanwhile, yes, asked.no, no, asked.other, f"/mixed/{box.name}")


def mix_answer(box: doc.Box, what: doc.Question, mixed: str) -> dict[str, str]:
    """The fields of an answer to whether koji that cooled suddenly was mixed: `yes` or `no`."""
    key = press(box.batch_id, "mix.answer", str(what.at_t_ms), mixed)
    own = {"guess_ms": str(what.at_t_ms), "mixed": mixed, "idempotency": key}
    return {"kind": "mix.answer", "incubator": box.name, **own}


def press(*parts: str) -> str:
    """An idempotency key made of what a press is about."""
    return f"page-{sha256('/'.join(parts).encode()).hexdigest()[:24]}"
