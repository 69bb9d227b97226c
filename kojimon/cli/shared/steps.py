"""Finding the step a person means, and showing a step's cautions and what comes next."""

from __future__ import annotations

from collections.abc import Iterable

from kojimon.cli.shared import screen
from kojimon.cli.shared.kitchen import Kitchen, incubator_of
from kojimon.contract import acts
from kojimon.contract.state import UNDO_MS, Box, ByHand, Document, EndedBatch, Entry, Mark, Step, Weighing
from kojimon.errors import UsageError
from kojimon.units import show_duration
from kojimon.words import speech as say
from kojimon.words import status as words
from kojimon.words.speech import Speech


def find_step(incubator: Box, text: str, command: str = "done") -> Step:
    """The step meant by its name, its trade word or a part of its label; of several the one whose time it is, or, where
    the `command` is not `done`, that was done. Raises UsageError that lists them, with what to type."""
    steps = incubator.steps
    wanted = _plain(text)
    exact = [step for step in steps if wanted in (_plain(step.name), _plain(step.trade))]
    if exact:
        return exact[0]
    near = [step for step in steps if _plain(step.name).startswith(wanted) or wanted in _plain(step.label)]
    ripe = [step for step in near if (step.status in ("open", "due") if command == "done" else step.standing)]
    if wanted and 1 in (len(near), len(ripe)):
        return near[0] if len(near) == 1 else ripe[0]
    known = ", ".join(_known(step) for step in steps)
    from difflib import get_close_matches  # a slip of the finger, once in a while

    close = get_close_matches(wanted, [step.name for step in steps], n=1)
    hint = f" Did you mean {close[0]!r}?" if close else ""
    if wanted and near:
        ways = "\n".join(f"  kojimon batch {command} {step.name}    # {step.label}" for step in near)
        raise UsageError(f"{text!r} may mean {say.listing([step.name for step in near])}. Which one?\n{ways}")
    raise UsageError(f"This batch has no step {text!r}.{hint} Its steps are: {known}.")


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


def entry_of(box: Box, step: str, document: Document) -> Entry | None:
    """What was entered last, or last of a kind."""
    if not step:
        return box.last_entry
    if step == "reading":
        return latest_reading(box)
    if step == "weight":
        last = box.batch or box.ended
        return last.weighed if last else None
    return last_mark(find_step(incubator_of(document, box.name, batch=True), step, "undo"))


def not_in_passing(kitchen: Kitchen, document: Document, box: Box, entry: Entry | None) -> None:
    """Raises UsageError for an entry that nobody means who only says `undo`: an old one, or what the watch hangs on."""
    if entry is None or isinstance(entry, EndedBatch):
        return
    number = entry.reading if isinstance(entry, ByHand) else entry.event
    entered = next(iter(kitchen.events(after=number - 1)), None)
    watch = box.ends_watch(entry, document.t_ms)
    at_ms = entry.at_t_ms if watch or entered is None else entered.t_ms
    if not watch and document.t_ms - at_ms <= UNDO_MS:
        return
    step = next((step for step in box.steps if entry in step.standing), None)
    name = step.name if step else "reading" if isinstance(entry, ByHand) else "weight"
    what = say.small_first(step.label) if step else f"a {name}"
    ago = show_duration((document.t_ms - at_ms) // 60_000 * 60)
    end = " Without it kojimon does not watch the koji." if watch else ""
    raise UsageError(f"The last entry is of {ago} ago: {what}.{end} To take it back all the same: kojimon undo {name}")


def taken_back(entry: Entry | None, step: str, box: Box, document: Document) -> acts.Deed:
    """The act that takes an entry back. Raises UsageError where there is none."""
    match entry:
        case Weighing():
            return acts.BatchUnweigh(stage=entry.stage)
        case ByHand():
            return acts.ReadingUndo(reading=entry.reading)
        case EndedBatch():
            return acts.BatchReopen(batch=entry.id)
        case Mark():
            return acts.StepUndo(mark=entry.mark)
    if step == "reading":
        raise UsageError("Nothing read by hand can be taken back.")
    incubator_of(document, box.name, batch=True)  # says so where none is open
    if step == "weight":
        raise UsageError("No weight is saved, so there is nothing to take back.")
    raise UsageError("Nothing is entered yet, so there is nothing to take back.")


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
