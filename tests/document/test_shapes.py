"""Maps and lists: one fault hides no other, keys stand once, words nearly right are recognised."""

from __future__ import annotations

from typing import Any

from kojimon.document.commented import write
from kojimon.document.read import read_text
from kojimon.document.report import MOST_FAULTS, Report
from kojimon.document.shapes import FAILED, Each, Field, Items, Map, Shared, Tagged, Variants
from kojimon.document.values import Name, mass, text, whole

TRAY = Map(
    "a tray", [Field("rice", mass(0, 9), "Rice.", required=True), Field("rows", whole(1, 9), "Rows.", default=1)]
)
BOX = Map("a box", [
    Field("trays", Each("a map of trays", Name("a tray"), TRAY), "Trays.", required=True),
    Field("labels", Items("a list of labels", text("a label", 9), most=3, unique=True), "Labels.", default=()),
    Field("depth", whole(1, 9), "Depth."),
])  # fmt: skip


def read(shape: Any, words: str) -> tuple[Any, list[str]]:
    report = Report("f")
    node = read_text(words, report)
    assert node is not None
    return shape.read(node, "", report), [str(fault) for fault in sorted(report.all())]


def test_a_good_one() -> None:
    value, seen = read(BOX, "trays:\n  top: {rice: 2 kg}\n  3: {rice: 1 kg, rows: 2}\n")
    assert seen == []
    assert value == {"trays": {"top": {"rice": 2.0, "rows": 1}, "3": {"rice": 1.0, "rows": 2}}, "labels": ()}


def test_every_fault_is_told_at_once_with_its_own_line() -> None:
    _, seen = read(BOX, "trays:\n  a: {rice: 2}\n  b: {rows: no}\n  b: 7\nlabels: [x, 1, x, {}]\ndepth: 12\ndept: 3\n")
    assert seen == [
        "f:2: trays.a.rice: found `2`, expected a mass with its unit, as in `2 kg` or `4 lb`",
        "f:3: trays.b: found no `rice`, expected `rice:` a mass with its unit, as in `2 kg` or `4 lb`",
        "f:3: trays.b.rows: found `no`, expected a whole number from 1 to 9 "
        "(other YAML readers take this for yes or no)",
        "f:4: trays.b: found this key a second time (first on line 3), expected each key once",
        "f:5: labels: found 4 of them, expected 0 to 3",
        "f:5: labels[1]: found `1`, which other YAML readers take for a number, expected quotes around it, or a label",
        "f:5: labels[2]: found `x` a second time, expected each once",
        "f:5: labels[3]: found a map of keys and values, expected a label",
        "f:6: depth: found `12`, expected a whole number from 1 to 9",
        "f:7: dept: found the unknown key `dept`, expected one of trays, labels, depth",
    ]


def test_a_key_nearly_right_is_read_as_the_one_that_is_meant() -> None:
    _, seen = read(BOX, "trasy:\n  a: {rice: x}\n")
    assert seen == [
        "f:1: trasy: found the unknown key `trasy`, expected one of trays, labels, depth (did you mean `trays`?)",
        "f:2: trays.a.rice: found `x`, expected a mass with its unit, as in `2 kg` or `4 lb`",
    ]


def test_a_decimal_comma_between_braces() -> None:
    _, seen = read(TRAY, "{rice: 2,5 kg}")
    assert seen[0] == (
        "f:1: 5 kg: found the unknown key `5 kg`, expected one of rice, rows"
        " (inside `{ }` a comma separates keys; numbers have a decimal point)"
    )


def test_a_missing_blank_after_the_colon() -> None:
    assert read(BOX, "trays:x\n")[1] == [
        "f:1: found `trays:x`, expected a box (`key: value`, with a blank after the colon)"
    ]


def test_kinds() -> None:
    shape = Tagged("a thing", "kind", {"tray": TRAY, "box": BOX}, "Which.")
    assert read(shape, "{kind: tray, rice: 1 kg}")[0] == {"kind": "tray", "rice": 1.0, "rows": 1}
    assert read(shape, "{rice: 1 kg}") == (FAILED, ["f:1: found no `kind`, expected `tray` or `box` for `kind`"])
    assert read(shape, "{kind: tary, rice: 1 kg}")[1] == [
        "f:1: kind: found `tary` (did you mean `tray`?), expected `tray` or `box`"
    ]
    assert read(shape, "{kind: [tray]}")[1] == ["f:1: kind: found a list, expected `tray` or `box`"]
    assert read(shape, "{kind: tray, kind: tray, rice: 1 kg}")[1] == [
        "f:1: kind: found this key a second time (first on line 1), expected each key once"
    ]


def test_variants_and_shapes_that_contain_themselves() -> None:
    tree = Shared("tree", "a tree", lambda: variants)
    several = Map("several", [Field("all", Items("a list", tree, least=1), "All.", required=True)])
    variants = Variants("a tree", whole(1, 9), {"all": several})
    assert read(tree, "{all: [1, {all: [2]}]}")[0] == ("all", {"all": (1, ("all", {"all": (2,)}))})
    assert read(tree, "{any: [1]}")[1] == ["f:1: found a map of keys and values, expected just one of `all`"]
    assert read(tree, "{all: [0, x]}")[1] == [
        "f:1: all[0]: found `0`, expected a whole number from 1 to 9",
        "f:1: all[1]: found `x`, expected a whole number from 1 to 9",
    ]


def test_thousands_of_faults_are_counted_not_told() -> None:
    _, seen = read(BOX, "trays:\n" + "".join(f"  t{n}: {{rice: x}}\n" for n in range(3000)))
    assert len(seen) == MOST_FAULTS + 1
    assert seen[0] == "f: found 2801 more faults, expected the ones above mended first"


def test_written_with_a_comment_at_every_setting() -> None:
    assert write(BOX, {"trays": {"top": {"rice": "2 kg"}, "low": {"rice": "1 kg"}}}) == (
        "# Trays. Required.\ntrays:\n  top:\n"
        "    # Rice. A mass with its unit, as in `2 kg` or `4 lb`. Required.\n    rice: 2 kg\n"
        "    # Rows. A whole number from 1 to 9.\n    #rows: 1\n"
        "  low:\n    rice: 1 kg\n"
        "\n# Labels. A list of labels.\n#labels: []\n"
        "\n# Depth. A whole number from 1 to 9.\n#depth:\n"
    )
