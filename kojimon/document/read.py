"""From a file to its tree. Refuses everything YAML can do that a person did not mean.

Works on PyYAML's stream of events, not on its loaded values: events carry lines, quoting, anchors and tags. Built
without recursion, and no alias is ever followed, so that no text can make it run away.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import yaml

from kojimon.document.report import Report, join
from kojimon.document.tree import Broken, Entry, Listing, Mapping, Node, Scalar

MOST_BYTES: Final = 131_072
"""Longest file that is read. The longest one shipped is a quarter of it."""
MOST_DEPTH: Final = 16
MOST_TEXT: Final = 4_000
MOST_LINES_TOLD: Final = 20

_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")
_LOOSE = re.compile(r"[\t\ufeff]|[|>]\S*#|^[^#\n\"']*\?", re.MULTILINE)
"""PyYAML's parser in C alone takes tabs for blanks, a byte order mark or `?` in a word, a comment right behind `|`."""
_TAB_INDENT = re.compile(r"^ *\t", re.MULTILINE)

_PLAIN_YAML = "expected plain values, lists and maps"
_WRITTEN_OUT = "expected the values written out"


def read_file(path: Path, report: Report) -> Node | None:
    """Reads a file into its tree. What is wrong goes to the report; None where there is no tree."""
    try:
        if not path.is_file():
            what = "found a folder or a device" if path.exists() else "found no such file"
            report.form(0, "", what, "expected a YAML file that can be read")
            return None
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else "its name cannot be used"
        report.form(0, "", f"found a file that cannot be read ({reason})", "expected a YAML file that can be read")
        return None
    return read_bytes(data, report)


def read_bytes(data: bytes, report: Report) -> Node | None:
    """Reads the bytes of a file into its tree."""
    if len(data) > MOST_BYTES:
        report.form(0, "", f"found more than {MOST_BYTES // 1024} kB", "expected a shorter file")
        return None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        report.form(line, "", f"found the byte 0x{data[error.start]:02x}", "expected text in UTF-8")
        return None
    return read_text(text, report)


def read_text(text: str, report: Report) -> Node | None:
    """Reads a text into its tree; None where it is not YAML at all."""
    before = report.form_faults
    _odd_characters(text, report)
    if report.form_faults > before:
        return None
    builder = _Builder(report)
    try:
        for event in _events(text):
            if not builder.take(event):
                return None
    except yaml.MarkedYAMLError as error:
        _not_yaml(error, text, report)
        return None
    except (yaml.YAMLError, ValueError, OverflowError):
        # An escape beyond Unicode, a version number of 5,000 digits: errors PyYAML lets through without a place.
        report.form(0, "", "found something that is not YAML", _PLAIN_YAML)
        return None
    if builder.root is None or (isinstance(builder.root, Scalar) and not builder.root.text):
        report.form(0, "", "found nothing", "expected keys and values, as in `site: cellar`")
        return None
    return builder.root


def _events(text: str) -> Iterable[yaml.Event]:
    """PyYAML's events, by its parser in C where that is there: ten times as quick.

    What that one refuses goes to the one in Python, whose errors are told below; so does what it alone takes.
    """
    if not _LOOSE.search(text):
        with suppress(AttributeError, yaml.YAMLError, ValueError, OverflowError):
            return list(yaml.parse(text, Loader=yaml.CSafeLoader))
    return yaml.parse(text, Loader=yaml.SafeLoader)


def _odd_characters(text: str, report: Report) -> None:
    for match in list(_CONTROL.finditer(text))[:MOST_LINES_TOLD]:
        line = text.count("\n", 0, match.start()) + 1
        report.form(line, "", f"found the control character U+{ord(match[0]):04X}", "expected printable text")
    for match in list(_TAB_INDENT.finditer(text))[:MOST_LINES_TOLD]:
        line = text.count("\n", 0, match.start()) + 1
        report.form(line, "", "found a tab at the beginning of the line", "expected blanks (YAML indents with blanks)")


_PROBLEMS: Final = (
    ("found character '\\t'", "found a tab before a value", "expected a blank"),
    ("found character", "found a value that begins with {char}", 'expected it in quotes, as in `"%"`'),
    (
        "mapping values are not allowed here",
        "found a `: ` where none can be",
        "expected one `key: value` a line, keys of one map indented alike, and quotes around a text with `: ` in it",
    ),
    ("sequence entries are not allowed here", "found a `- ` behind a key", "expected the list on lines of its own"),
    ("found unexpected end of stream", "found a quote that is never closed", "expected a closing quote"),
    ("expected ',' or ']'", "found a `[` without its `]`", "expected a list, as in `[top, bottom]`"),
    ("expected ',' or '}'", "found a `{{` without its `}}`", "expected a map, as in `{{temperature: F, mass: lb}}`"),
    ("could not find expected ':'", "found a line without `: `", "expected `key: value`"),
    ("expected <block end>", "found a line that fits neither above nor below", "expected its neighbours' indentation"),
    ("found unknown escape character", "found an unknown escape behind `\\`", "expected single quotes, or `\\\\`"),
)
_AT_CONTEXT: Final = ("found unexpected end of stream", "expected ',' or", "could not find expected ':'")


def _not_yaml(error: yaml.MarkedYAMLError, text: str, report: Report) -> None:
    problem = str(error.problem or "")
    mark: Any = error.problem_mark
    if problem.startswith(_AT_CONTEXT) and error.context_mark is not None:
        mark = error.context_mark
    line = mark.line + 1 if mark is not None else 0
    lines = text.splitlines()
    char = lines[mark.line][mark.column : mark.column + 1] if mark is not None and mark.line < len(lines) else ""
    for start, what, wanted in _PROBLEMS:
        if problem.startswith(start):
            report.form(line, "", what.format(char=f"`{char}`"), wanted.format())
            return
    report.form(line, "", "found something that is not YAML", _PLAIN_YAML)


class _Frame:
    """A list or map that is still open."""

    def __init__(self, line: int, is_map: bool, path: str, block: bool) -> None:
        self.line, self.is_map, self.path, self.block = line, is_map, path, block
        self.items: list[Node] = []
        self.entries: list[Entry] = []
        self.key: Node | None = None

    def path_of_next(self) -> str:
        if not self.is_map:
            return f"{self.path}[{len(self.items)}]"
        return join(self.path, self.key.text) if isinstance(self.key, Scalar) else self.path

    def add(self, node: Node, report: Report) -> None:
        if not self.is_map:
            self.items.append(node)
        elif self.key is None:
            self.key = node
            if isinstance(node, (Listing, Mapping)):
                report.form(node.line, self.path, "found a list or map as a key", "expected a word as a key")
        else:
            if isinstance(self.key, Scalar) and self.key.text == "<<" and self.key.plain:
                report.form(self.key.line, self.path, "found the merge key `<<`", _WRITTEN_OUT)
            elif isinstance(self.key, Scalar):
                self.entries.append(Entry(self.key, node))
            self.key = None

    def node(self) -> Node:
        return Mapping(tuple(self.entries), self.line) if self.is_map else Listing(tuple(self.items), self.line)


class _Builder:
    """Takes events one by one."""

    def __init__(self, report: Report) -> None:
        self.root: Node | None = None
        self._report = report
        self._open: list[_Frame] = []
        self._documents = 0

    def take(self, event: Any) -> bool:
        """Takes one event. False when reading further makes no sense."""
        line = event.start_mark.line + 1
        if isinstance(event, yaml.DocumentStartEvent):
            self._documents += 1
            if self._documents > 1:
                self._report.form(line, "", "found a second document (`---`)", "expected one document a file")
                return False
            if event.version or event.tags:
                self._report.form(line, "", "found a directive (`%`)", _PLAIN_YAML)
        elif isinstance(event, yaml.CollectionStartEvent):
            return self._opens(event, line)
        elif isinstance(event, yaml.CollectionEndEvent):
            self._put(self._open.pop().node())
        elif isinstance(event, yaml.ScalarEvent):
            self._scalar(event, line)
        elif isinstance(event, yaml.AliasEvent):
            # Its name is not told: it may be a password written without quotes.
            self._refuse(line, "found an alias (`*` before a name)", f"{_WRITTEN_OUT}, or quotes around a text")
            self._put(Broken(line))
        return True

    def _opens(self, event: Any, line: int) -> bool:
        if len(self._open) >= MOST_DEPTH:
            self._refuse(line, f"found more than {MOST_DEPTH} levels of nesting", "expected fewer")
            return False
        self._marks(event, line)
        frame = self._open[-1] if self._open else None
        if not event.flow_style and frame and frame.is_map and isinstance(frame.key, Scalar):
            line = frame.key.line  # a block below its key is looked for at the key
        self._open.append(_Frame(line, isinstance(event, yaml.MappingStartEvent), self._path(), not event.flow_style))
        return True

    def _scalar(self, event: Any, line: int) -> None:
        self._marks(event, line)
        if len(event.value) > MOST_TEXT:
            self._refuse(line, f"found a text of {len(event.value)} characters", f"expected {MOST_TEXT} at most")
            self._put(Broken(line))
        elif match := _CONTROL.search(event.value):
            self._refuse(line, f"found the control character U+{ord(match[0]):04X}", "expected printable text")
            self._put(Broken(line))
        else:
            self._put(Scalar(event.value, line, plain=not event.style))

    def _marks(self, event: Any, line: int) -> None:
        if event.anchor:
            self._refuse(line, "found an anchor (`&` before a name)", f"{_WRITTEN_OUT}, or quotes around a text")
        if event.tag:
            self._refuse(line, "found a tag (`!` before a name)", f"{_PLAIN_YAML}, or quotes around a text")

    def _put(self, node: Node) -> None:
        if self._open:
            self._open[-1].add(node, self._report)
        else:
            self.root = node

    def _path(self) -> str:
        return self._open[-1].path_of_next() if self._open else ""

    def _refuse(self, line: int, what: str, wanted: str) -> None:
        self._report.form(line, self._path(), what, wanted)
