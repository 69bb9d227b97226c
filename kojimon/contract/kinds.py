"""Records by their kind, and how one is read from JSON: shared by acts, inputs and events."""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar, Protocol, TypeVar

from msgspec import Raw, Struct, ValidationError, json


class _OfKind(Protocol):
    kind: ClassVar[str]


S = TypeVar("S", bound=Struct)
K = TypeVar("K", bound=_OfKind)


def of_kind(base: type[K]) -> dict[str, type[K]]:
    """The records below a base that have a kind, by it and in its order."""
    return {one.kind: one for one in sorted(_below(base), key=lambda one: one.kind) if one.kind}


def _below(base: type[K]) -> Iterator[type[K]]:
    for one in base.__subclasses__():
        yield one
        yield from _below(one)


def record(text: str | bytes, form: type[S]) -> S:
    """A record from its JSON; a field that is null counts as absent. Raises msgspec.DecodeError where it is none."""
    try:
        return json.decode(text, type=form)
    except ValidationError:
        fields = json.decode(text, type=dict[str, Raw])
        return json.decode(json.encode({name: raw for name, raw in fields.items() if bytes(raw) != b"null"}), type=form)
