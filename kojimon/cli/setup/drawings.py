"""The kinds of box and the covers that set-up asks for, drawn in plain letters, each with what it does to koji."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from kojimon.model import BoxKind, Cover
from kojimon.words import boxes

KINDS: Final[Mapping[str, str]] = {
    BoxKind.STILL: r"""
+------ lid -----+
|  [ . koji . ]  |
|  [ . koji . ]  |
| heater      (T)|  T: thermostat
+----------------+
""",
    BoxKind.FAN: r"""
+----------------+
| > [ . koji . ] |
|fan>[ . koji . ]|  warm air is blown
| > [ . koji . ] |  over the trays
+----------------+
""",
    BoxKind.HEAT_MAT: r"""
   ~ ~ cloth ~ ~
  [ . . koji . . ]
 ==================  warm mat below,
 room air all round
""",
    BoxKind.OVEN_LIGHT: r"""
+----------------+
|  [ . koji . ]  |
|  [ . koji . ]  |  always on,
|     (lamp)     |  no thermostat
+----------------+
""",
    BoxKind.UNKNOWN: "",
}
COVERS: Final[Mapping[str, str]] = {
    Cover.OPEN: r"""
 \ . . koji . . /
  \____________/
""",
    Cover.CLOTH: r"""
 ~~~ damp cloth ~~~
 \ . . koji . . /
  \____________/
""",
    Cover.CLOTH_AND_PLASTIC: r"""
 --- o --- o --- o   plastic with holes
 ~~~ damp cloth ~~~
 \ . . koji . . /
  \____________/
""",
    Cover.UNKNOWN: "",
}
KIND_NAMES: Final[Mapping[str, str]] = {
    kind: text if kind != BoxKind.UNKNOWN else "another, or not known yet" for kind, text in boxes.KIND.items()
}
COVER_NAMES: Final[Mapping[str, str]] = {
    Cover.OPEN: "uncovered",
    Cover.CLOTH: "under a damp cloth",
    Cover.CLOTH_AND_PLASTIC: "under a cloth and plastic with holes",
    Cover.UNKNOWN: "another way, or not known yet",
}


def of_kind(kind: str) -> tuple[str, str]:
    """Drawing of a kind of box, and one sentence that says what it does to koji; "" where there is nothing to say."""
    if kind == BoxKind.UNKNOWN:
        return "", "Then kojimon says less: nothing that could be wrong in one of the others."
    said = boxes.MEANS.get(BoxKind(kind), ("",))
    return KINDS[kind].strip("\n"), said[-1]


def of_cover(cover: str, kind: str) -> tuple[str, str]:
    """The same of a cover, in that kind of box."""
    said = boxes.UNFIT.get((BoxKind(kind), Cover(cover)), "")
    wrapped = boxes.WRAPPED if cover == Cover.CLOTH_AND_PLASTIC else ""
    return COVERS[cover].strip("\n"), said or wrapped
