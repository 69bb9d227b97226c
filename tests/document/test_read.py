"""Strict reading of YAML: what a person sees for everything that YAML can do and nobody meant."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from kojimon.document.read import MOST_BYTES, MOST_DEPTH, read_bytes, read_file, read_text
from kojimon.document.report import MOST_FAULTS, Report
from kojimon.document.tree import Broken, Entry, Listing, Mapping, Node, Scalar, other_reading
from tests.parts.size import size

SHIPPED = Path(__file__).resolve().parents[2] / "kojimon" / "shipped"

OR_QUOTES, WRITTEN = "or quotes around a text", "expected the values written out"
PLAIN = "expected plain values, lists and maps"


def refusals(text: str | bytes) -> list[str]:
    report = Report("f.yaml")
    read_bytes(text.encode() if isinstance(text, str) else text, report)
    return [str(fault) for fault in sorted(report.faults)]


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        ("", "f.yaml: found nothing, expected keys and values, as in `site: cellar`"),
        ("# only a comment\n", "f.yaml: found nothing, expected keys and values, as in `site: cellar`"),
        ("a: 1\n---\nb: 2\n", "f.yaml:2: found a second document (`---`), expected one document a file"),
        ("%YAML 1.2\n---\na: 1\n", "f.yaml:1: found a directive (`%`), expected plain values, lists and maps"),
        (
            "a:\n\tb: 1\n",
            "f.yaml:2: found a tab at the beginning of the line, expected blanks (YAML indents with blanks)",
        ),
        ("a:\t1\n", "f.yaml:1: found a tab before a value, expected a blank"),
        ("a: %\n", 'f.yaml:1: found a value that begins with `%`, expected it in quotes, as in `"%"`'),
        ("a: @x\n", 'f.yaml:1: found a value that begins with `@`, expected it in quotes, as in `"%"`'),
        (
            "a: b: c\n",
            "f.yaml:1: found a `: ` where none can be, expected one `key: value` a line, keys of one map indented"
            " alike,"
            " and quotes around a text with `: ` in it",
        ),
        ("a: - b\n", "f.yaml:1: found a `- ` behind a key, expected the list on lines of its own"),
        ("b: 1\na: 'x\nc: 2\n", "f.yaml:2: found a quote that is never closed, expected a closing quote"),
        ("a: [1, 2\nb: 3\n", "f.yaml:1: found a `[` without its `]`, expected a list, as in `[top, bottom]`"),
        ("a: {b: 1\nc: 3\n", "f.yaml:1: found a `{` without its `}`, "
         "expected a map, as in `{temperature: F, mass: lb}`"),
        (
            "a:\n  - b\n c: 1\n",
            "f.yaml:3: found a line that fits neither above nor below, expected its neighbours' indentation",
        ),
        ('a: "\\q"\n', "f.yaml:1: found an unknown escape behind `\\`, expected single quotes, or `\\\\`"),
        ('a: "\\U99999999"\n', "f.yaml: found something that is not YAML, expected plain values, lists and maps"),
        ("a: 1\nb: \x07\n", "f.yaml:2: found the control character U+0007, expected printable text"),
        ('a: "\\a"\n', "f.yaml:1: a: found the control character U+0007, expected printable text"),
        (b"a: 1\nb: \xff\n", "f.yaml:2: found the byte 0xff, expected text in UTF-8"),
        ("a: &x 1\n", f"f.yaml:1: a: found an anchor (`&` before a name), {WRITTEN}, {OR_QUOTES}"),
        ("a: *x\n", f"f.yaml:1: a: found an alias (`*` before a name), {WRITTEN}, {OR_QUOTES}"),
        ("a: !!int 1\n", f"f.yaml:1: a: found a tag (`!` before a name), {PLAIN}, {OR_QUOTES}"),
        ("a:\n  <<: {b: 1}\n", "f.yaml:2: a: found the merge key `<<`, expected the values written out"),
        ("? [a]\n: b\n", "f.yaml:1: found a list or map as a key, expected a word as a key"),
        ("a: " + "x" * 5000, "f.yaml:1: a: found a text of 5000 characters, expected 4000 at most"),
        ("[" * 40 + "]" * 40, f"f.yaml:1: {'[0]' * 16}: found more than 16 levels of nesting, expected fewer"),
        ("a: 1\n" * 40_000, "f.yaml: found more than 128 kB, expected a shorter file"),
    ],
)  # fmt: skip
def test_what_a_person_sees(text: str | bytes, seen: str) -> None:
    assert refusals(text)[0] == seen


def test_all_tabs_are_told_at_once() -> None:
    lines = [seen.split(" ", 1)[0] for seen in refusals("a:\n\tb: 1\n  c: 2\n\td: 3\n")]
    assert lines == ["f.yaml:2:", "f.yaml:4:"]


def test_no_alias_is_followed_and_all_are_told() -> None:
    """The classic text that grows to 10^9 items when aliases are followed."""
    bomb = "a0: &a0 [x, x]\n" + "".join(f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]\n" for n in range(1, 10))
    seen = refusals(bomb)
    assert len(seen) == 10 + 9 * 9
    assert all("found an a" in fault for fault in seen)


def test_a_password_that_looks_like_an_alias_or_tag_is_not_repeated() -> None:
    for text in ("password: *hunter2\n", "password: !hunter2 x\n", "password: &hunter2 x\n"):
        assert not any("hunter2" in seen for seen in refusals(text))


def test_files_that_are_none(tmp_path: Path) -> None:
    def told(path: Path) -> str:
        report = Report("f.yaml")
        assert read_file(path, report) is None
        return str(report.faults[0])

    assert told(tmp_path / "x.yaml") == "f.yaml: found no such file, expected a YAML file that can be read"
    assert told(tmp_path) == "f.yaml: found a folder or a device, expected a YAML file that can be read"
    assert told(Path("/dev/zero")) == "f.yaml: found a folder or a device, expected a YAML file that can be read"
    assert "cannot be" in told(Path("a\0b")) or "no such file" in told(Path("a\0b"))


@pytest.mark.parametrize("file", sorted(SHIPPED.rglob("*.yaml")), ids=lambda file: file.stem)
def test_where_pyyaml_came_without_its_parser_in_c_the_same_is_read(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    quick = read_file(file, Report(file.name))
    monkeypatch.delattr(yaml, "CSafeLoader")
    assert quick is not None and read_file(file, Report(file.name)) == quick


@pytest.mark.parametrize("text", ["a:\tb", "a: b\t", "a: |# c\n  b", "a: >-#\n  b", "a: \ufeffb", "[a?b]"])
def test_what_the_parser_in_c_alone_takes_is_read_as_the_other_reads_it(text: str) -> None:
    found, other = Report("f.yaml"), Report("f.yaml")
    with pytest.MonkeyPatch.context() as patch:
        node = read_text(text, found)
        patch.delattr(yaml, "CSafeLoader")
        assert read_text(text, other) == node
    assert found.faults == other.faults


def test_byte_order_mark_and_line_ends_of_other_systems() -> None:
    report = Report("f.yaml")
    node = read_bytes(b"\xef\xbb\xbfa: 1\r\nb: 2\r\n", report)
    first = Entry(Scalar("a", 1, True), Scalar("1", 1, True))
    assert node == Mapping((first, Entry(Scalar("b", 2, True), Scalar("2", 2, True))), 1)
    assert not report.faults


def test_every_value_stays_the_text_it_was() -> None:
    """YAML 1.1 would make numbers, truths, dates and nothing of these (type repository at yaml.org/type)."""
    texts = ["12:30", "22:00", "010", "no", "Yes", "on", "1_000", ".inf", ".nan", "2026-11-25", "1e3", "0x1F", "~"]
    report = Report("f.yaml")
    node = read_text("".join(f"- {text}\n" for text in texts), report)
    assert isinstance(node, Listing)
    assert [item.text for item in node.items if isinstance(item, Scalar)] == texts


TAKEN = """12:30 1:30:00 190:20:30 22:00 010 0o10 0x1F 0b101 685_230 1_000 -12 3.5 1e3 6.8523015e+5 .5 5. .inf .nan
-.INF no NO yes On off y n true FALSE null ~ 2026-11-25 << ="""


@pytest.mark.parametrize("text", ["", "2001-12-14 21:59:43", "2001-12-14T21:59:43Z", *TAKEN.split()])
def test_what_other_readers_take_for_something_else(text: str) -> None:
    """YAML 1.1 types at yaml.org/type (bool, int with base 60 example 190:20:30 and 685_230, float 6.8523015e+5, null,
    timestamp, merge, value) and the YAML 1.2.2 core schema, 10.3.2 (0o10)."""
    assert other_reading(text)


TEXTS = ("top", "85 %", "30 C", "192.0.2.10", "a-b", "cellar/+/koji", "noon", "1st", "12:30 to 13:00", "10 s")


@pytest.mark.parametrize("text", TEXTS)
def test_what_all_readers_take_for_text(text: str) -> None:
    assert other_reading(text) == ""


@settings(deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_where_pyyaml_sees_no_text_neither_do_we(text: str) -> None:
    """Reference library: PyYAML's own resolver (YAML 1.1)."""
    resolver = yaml.SafeLoader("")
    tag = resolver.resolve(yaml.ScalarNode, text, (True, False))  # type: ignore[no-untyped-call]
    if tag not in ("tag:yaml.org,2002:str", "tag:yaml.org,2002:yaml"):  # the latter: `&`, `*`, `!` are no plain texts
        assert other_reading(text)


PIECES = (
    "a",
    "b: ",
    "- ",
    "\n",
    "  ",
    "\t",
    "{",
    "}",
    "[",
    "]",
    ",",
    ":",
    "? ",
    "&x ",
    "*x",
    "!!t ",
    "<<: ",
    "|\n",
    ">-\n",
)
ODD = (
    "'",
    '"',
    "\\",
    "#",
    "%YAML 1.1\n",
    "---\n",
    "...\n",
    "\ufeff",
    "\x00",
    "\x85",
    "\u2028",
    "12:30",
    "\r\n",
    "~",
    "@",
    "`",
)
YAMLISH = st.lists(st.sampled_from([*PIECES, *ODD]), max_size=60).map("".join)


def whole(node: Node) -> int:
    if isinstance(node, Listing):
        return 1 + sum(whole(item) for item in node.items)
    if isinstance(node, Mapping):
        return 1 + sum(whole(entry.value) for entry in node.entries)
    assert isinstance(node, (Scalar, Broken))
    assert isinstance(node, Broken) or "\x00" not in node.text
    return 1


@settings(max_examples=size(100, 400), deadline=None)
@given(st.one_of(st.text(), YAMLISH, st.binary(max_size=200), st.text(alphabet="-[{:,?&*! \n\"'|>ab", max_size=80)))
def test_nothing_but_a_tree_or_faults(text: str | bytes) -> None:
    report = Report("f.yaml")
    data = text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass")
    node = read_bytes(data, report)
    assert node is not None or report.faults
    assert node is None or whole(node) >= 1
    assert all("\n" not in str(fault) for fault in report.faults)


@settings(max_examples=60, deadline=None)
@given(YAMLISH.filter(bool))
def test_the_tree_is_the_one_pyyaml_composes(text: str) -> None:
    """Reference library: PyYAML's composer, on what we do not refuse."""
    report = Report("f.yaml")
    node = read_text(text, report)
    if node is None or report.faults:
        return

    def same(ours: Node, theirs: yaml.Node) -> bool:
        if isinstance(ours, Scalar):
            return isinstance(theirs, yaml.ScalarNode) and ours.text == theirs.value
        if isinstance(ours, Listing):
            return len(ours.items) == len(theirs.value) and all(map(same, ours.items, theirs.value))
        assert isinstance(ours, Mapping)
        pairs = [(entry.key, entry.value) for entry in ours.entries]
        return all(same(a, c) and same(b, d) for (a, b), (c, d) in zip(pairs, theirs.value, strict=True))

    composed = yaml.compose(text, Loader=yaml.SafeLoader)
    assert composed is not None
    assert same(node, composed)


@pytest.mark.slow
@pytest.mark.parametrize(
    "text",
    [
        "[" * MOST_BYTES,
        "{" * MOST_BYTES,
        "- " * (MOST_BYTES // 2),
        "? " * (MOST_BYTES // 2),
        "a: " * (MOST_BYTES // 3),
        "x" * MOST_BYTES,
        "[a," * (MOST_BYTES // 3),
        "a\n" * (MOST_BYTES // 2),
        "'" + "x\n" * (MOST_BYTES // 2 - 1),
        "k: v\n" * (MOST_BYTES // 5),
        "\t\n" * (MOST_BYTES // 2),
        "[" + "a, " * (MOST_BYTES // 3 - 1) + "]",
        "&a " * (MOST_BYTES // 3),
    ],
    ids=lambda text: text[:4].strip() or "tabs",
)
def test_the_largest_hostile_file_is_dealt_with_in_seconds(text: str) -> None:
    """10 s is a limit for the slowest test machine, no figure of merit; an honest file of this size takes under 1 s."""
    begin = time.process_time()
    report = Report("f.yaml")
    read_bytes(text.encode(), report)
    assert time.process_time() - begin < 10
    assert len(report.all()) <= MOST_FAULTS + 1
    assert MOST_DEPTH < 100
