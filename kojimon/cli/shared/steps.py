"""Finding the step a person means, and showing a step's cautions and what comes next."""

from __future__ import annotations

from collections.abc import Iterable

from kojimon.cli.shared import screen
from kojimon.contract.state import Box, ByHand, Document, Mark, Step
from kojimon.errors import UsageError
from kojimon.words import speech as say
from kojimon.words import status as words
from kojimon.words.speech import Speech


def find_step(incubator: Box, text: str) -> Step:
    """The step meant by its name, its trade word or a part of its label. Raises UsageError that lists them."""
    steps = incubator.steps
    wanted = _plain(text)
    exact = [step for step in steps if wanted in (_plain(step.name), _plain(step.trade))]
    if exact:
        return exact[0]
    near = [step for step in steps if _plain(step.name).startswith(wanted) or wanted in _plain(step.label)]
    if wanted and len(near) == 1:
        return near[0]
    known = ", ".join(_known(step) for step in steps)
    from difflib import get_close_matches  # a slip of the finger, once in a while

    close = get_close_matches(wanted, [step.name for step in steps], n=1)
    hint = f" Did you mean {close[0]!r}?" if close else ""
    several = f"{text!r} may mean {say.listing([step.name for step in near])}." if len(near) > 1 else ""
    raise UsageError(f"{several or f'This batch has no step {text!r}.'}{hint} Its steps are: {known}.")


def _known(step: Step) -> str:
    return f"{step.name} ({step.trade})" if step.trade else step.name


def _plain(text: str) -> str:
    return text.strip().lower().replace("_", "-").replace(" ", "-")


def last_mark(step: Step) -> Mark:
    """The latest valid mark of a step. Raises UsageError when it was never done."""
    if not step.standing:
        raise UsageError(f"{step.label} ({step.name}) is not marked as done, so there is nothing to change.")
    return max(step.standing, key=lambda mark: mark.at_t_ms)


def latest_reading(incubator: Box) -> ByHand | None:
    """What was read by hand last and can be taken back; None for nothing."""
    return max((one for one in incubator.by_hand if one.reading), key=lambda one: one.reading, default=None)


def print_cautions(cautions: Iterable[str], indent: int = 0) -> None:
    """What to take care of, each once, under one heading; nothing where there is nothing."""
    for number, caution in enumerate(dict.fromkeys(cautions)):
        if not number:
            screen.say("Take care:", "look", indent=indent)
        screen.say(f"- {caution}", "look", indent=indent + 2)


def print_command(step: words.NextStep, indent: int = 0) -> None:
    """What to type once it is done, where its time has come."""
    if step.soon:
        screen.say(f"When done: kojimon batch {'harvest' if step.harvest else f'done {step.name}'}", indent=indent)


def print_next(
    incubator: Box, document: Document, speech: Speech, said: str, cautions: Iterable[str] = ()
) -> None:
    """The one next step with its cautions, after something was done: a caution that comes after the act is none.

    Args:
        said: what was printed already: its doubt is not said twice.
        cautions: what is to be taken care of beside them.
    """
    step = words.next_step(incubator, speech, document.t_ms, document.now.utc)
    if step is not None:
        screen.say(f"{', '.join(filter(None, (step.title, step.window)))}.", "look" if step.late else "plain")
        if step.doubt and step.doubt not in said:
            screen.say(step.doubt, "look")
        print_command(step)
    print_cautions([*cautions, *(step.cautions if step else ())])
