"""The fields of each answer to what is asked. Pure."""

from __future__ import annotations

from hashlib import sha256

from msgspec import Struct

from kojimon.contract import state as doc


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
