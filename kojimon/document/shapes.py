"""What may stand where in a file: maps, lists and choices between them. The single values are in `values.py`.

A shape reads a node of the tree into plain values, states itself as JSON Schema and knows its defaults. A file is
described once, as one shape, and that description drives the loader, the schema and the reference comments.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from collections.abc import Mapping as MappingOf
from dataclasses import dataclass
from typing import Any, Final

import msgspec

from kojimon.document.report import Report, join, one_of
from kojimon.document.tree import Broken, Entry, Listing, Mapping, Node, Scalar, found, shown

Json = dict[str, Any]


class _Failed:
    def __repr__(self) -> str:
        return "FAILED"


FAILED: Final = _Failed()
"""What `read` returns for a node whose fault has been told."""
NOTHING: Final = _Failed()
"""A field without a default."""


class Shape:
    """What may stand in one place of a file."""

    what: str
    """What is wanted here, as a noun with its article, for messages."""

    def read(self, node: Node, path: str, report: Report) -> Any:
        """The plain value of a node. Faults go to the report; FAILED where there is no value to go on with."""
        raise NotImplementedError

    def schema(self, defs: Json) -> Json:
        """The shape as JSON Schema 2020-12. Shared parts are put into `defs`."""
        raise NotImplementedError

    def show(self, value: Any) -> str:
        """How a value is written in the file; "" where it cannot be written on one line."""
        return ""

    def reference(self) -> str:
        """What is wanted here, for the reference; "" where the setting's help says enough."""
        return self.what


@dataclass(frozen=True)
class Field:
    """One setting.

    Attributes:
        key: its name in the file.
        help: what it is for, in whole sentences; stands in the reference and in the schema.
        attr: its name in the record; `key` where empty.
        required: it has to be there.
        default: value where it is absent; NOTHING takes the record's own default.
        example: how it might be written, for a setting that has no default worth showing.
        was: its name in files of an earlier version; read all the same.
        meant: other words under which people look for it: no fault of spelling leads from there to it.
    """

    key: str
    shape: Shape
    help: str
    attr: str = ""
    required: bool = False
    default: Any = NOTHING
    example: str = ""
    was: str = ""
    meant: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Its name in the record."""
        return self.attr or self.key


class Map(Shape):
    """A map with known keys, read into a dict by the names of the record.

    Only keys that stand in the file (and those with a default of their own) are in the dict: the record adds the rest.

    Args:
        what: the noun for it, as in `a probe`.
        fields: what may stand in it, in the order of the reference.
        record: the msgspec record it becomes; supplies defaults.
    """

    def __init__(self, what: str, fields: Sequence[Field], record: type[msgspec.Struct] | None = None) -> None:
        self.what, self.fields, self.record = what, tuple(fields), record
        self._by_key = {field.key: field for field in fields}
        self._once = {field.was: field.key for field in fields if field.was}
        self._meant = {word: field.key for field in fields for word in field.meant}
        defaults = {found.name: found.default for found in msgspec.structs.fields(record)} if record else {}
        self._defaults = {name: value for name, value in defaults.items() if value is not msgspec.NODEFAULT}

    def field(self, key: str) -> Field:
        """The field of a key. Raises KeyError."""
        return self._by_key[key]

    def default(self, field: Field) -> Any:
        """The default of a field, or NOTHING."""
        return self._defaults.get(field.name, NOTHING) if field.default is NOTHING else field.default

    def shown_default(self, field: Field) -> str:
        """The default of a field as it is written; "" where there is none worth showing."""
        default = self.default(field)
        if field.required or field.example or default is NOTHING or default is None:
            return ""
        return field.shape.show(default)

    def read(self, node: Node, path: str, report: Report) -> Any:
        if not isinstance(node, Mapping):
            return _not_a_map(node, path, report, self.what)
        values: dict[str, Any] = {}
        present: dict[str, Entry] = {}
        strangers = []
        for entry in entries(node, path, report):
            key = self._once.get(entry.key.text, entry.key.text)
            if key in present:
                what = f"found `{present[key].key.text}` and `{entry.key.text}`, which are one setting"
                report.form(entry.key.line, join(path, key), what, f"expected `{key}` alone")
            elif key != entry.key.text:
                report.lines[join(path, key)] = entry.key.line
            if key in self._by_key:
                present[key] = entry
            else:
                strangers.append(entry)
        for entry in strangers:
            self._stranger(entry, path, report, present)
        for field in self.fields:
            if field.key in present:
                self._take(field, present[field.key], path, report, values)
            elif field.required:
                expected = f"expected `{field.key}:` {field.shape.what}"
                report.form(node.line, path, f"found no `{field.key}`", expected)
            elif field.default is not NOTHING:
                values[field.name] = field.default
        return values

    def _take(self, field: Field, entry: Entry, path: str, report: Report, values: dict[str, Any]) -> None:
        value = field.shape.read(entry.value, join(path, field.key), report)
        if value is not FAILED:
            values[field.name] = value

    def _stranger(self, entry: Entry, path: str, report: Report, present: dict[str, Entry]) -> None:
        """An unknown key. One that is nearly a known one is read as that one, so that it hides no further fault."""
        key, free = entry.key, [name for name in self._by_key if name not in present]
        here = join(path, key.text)
        meant = report.closest(key.text, [word for word, name in self._meant.items() if name in free], 0.85)
        close = self._meant[meant] if meant else report.closest(key.text, free)
        hint = f" (did you mean `{close}`?)" if close else ""
        if key.plain and key.text[:1].isdigit() and isinstance(entry.value, Scalar) and not entry.value.text:
            hint = " (inside `{ }` a comma separates keys; numbers have a decimal point)"
        what = f"found the unknown key `{shown(key.text)}`"
        report.form(key.line, here, what, f"expected one of {', '.join(self._by_key)}{hint}")
        if close:
            present[close] = entry

    def schema(self, defs: Json) -> Json:
        properties = {}
        for field in self.fields:
            entry = dict(field.shape.schema(defs))
            entry["description"] = field.help
            if text := self.shown_default(field):
                entry["default"] = text
            properties[field.key] = entry
        required = [field.key for field in self.fields if field.required]
        schema: Json = {"type": "object", "properties": properties, "additionalProperties": False}
        return schema | ({"required": required} if required else {})


class Each(Shape):
    """A map from names that the person chooses to things of one shape, in the order of the file.

    Read into a dict; a thing with faults is there with what could be read of it, so that others may refer to it.
    """

    def __init__(self, what: str, key: Shape, value: Shape, least: int = 1, most: int = 200) -> None:
        self.what, self.key, self.value, self.least, self.most = what, key, value, least, most

    def read(self, node: Node, path: str, report: Report) -> Any:
        if not isinstance(node, Mapping):
            return _not_a_map(node, path, report, self.what)
        if not self.least <= len(node.entries) <= self.most:
            report.form(node.line, path, f"found {len(node.entries)} of them", f"expected {self.least} to {self.most}")
        values = {}
        for entry in entries(node, path, report):
            here = join(path, entry.key.text)
            self.key.read(entry.key, here, report)
            value = self.value.read(entry.value, here, report)
            values[entry.key.text] = {} if value is FAILED else value
        return values

    def schema(self, defs: Json) -> Json:
        key = self.key.schema(defs)
        names = {"pattern": key["pattern"]} if "pattern" in key else {"enum": key["enum"]}
        value = self.value.schema(defs)
        limits = {"minProperties": self.least, "maxProperties": self.most}
        return {"type": "object", "propertyNames": names, "additionalProperties": value, **limits}


class Items(Shape):
    """A list of things of one shape, read into a tuple; a faulty one stands in it as FAILED, so that places count."""

    def __init__(self, what: str, item: Shape, least: int = 0, most: int = 50, unique: bool = False) -> None:
        self.what, self.item, self.least, self.most, self.unique = what, item, least, most, unique

    def read(self, node: Node, path: str, report: Report) -> Any:
        if not isinstance(node, Listing):
            return refuse(node, path, report, self.what)
        if not self.least <= len(node.items) <= self.most:
            report.form(node.line, path, f"found {len(node.items)} of them", f"expected {self.least} to {self.most}")
        values: list[Any] = []
        for number, item in enumerate(node.items):
            here = f"{path}[{number}]"
            report.lines[here] = item.line
            value = self.item.read(item, here, report)
            if self.unique and value is not FAILED and value in values:
                report.fault(item.line, here, f"{found(item)} a second time", "expected each once")
            values.append(value)
        return tuple(values)

    def schema(self, defs: Json) -> Json:
        schema: Json = {"type": "array", "items": self.item.schema(defs), "maxItems": self.most}
        schema |= {"minItems": self.least} if self.least else {}
        return schema | ({"uniqueItems": True} if self.unique else {})

    def show(self, value: Any) -> str:
        return f"[{', '.join(self.item.show(item) for item in value)}]"


class Tagged(Shape):
    """A map whose other keys depend on the value of one of them. Read into the dict of that map, with the tag in it."""

    def __init__(self, what: str, tag: str, maps: MappingOf[str, Map], help_text: str) -> None:
        self.what, self.tag, self.maps, self.help = what, tag, dict(maps), help_text

    def read(self, node: Node, path: str, report: Report) -> Any:
        if not isinstance(node, Mapping):
            return _not_a_map(node, path, report, self.what)
        listed = entries(node, path, report)
        tag = next((entry for entry in listed if entry.key.text == self.tag), None)
        wanted = f"expected {one_of(list(self.maps))}"
        if tag is None:
            report.form(node.line, path, f"found no `{self.tag}`", f"{wanted} for `{self.tag}`")
            return FAILED
        kind = tag.value.text if isinstance(tag.value, Scalar) else ""
        if kind not in self.maps:
            here = join(path, self.tag)
            close = report.closest(kind, list(self.maps))
            hint = f" (did you mean `{close}`?)" if close else ""
            if not isinstance(tag.value, Broken):
                report.form(tag.value.line, here, found(tag.value) + hint, wanted)
            kind = close
        if not kind:
            return FAILED
        rest = Mapping(tuple(entry for entry in listed if entry is not tag), node.line)
        values = self.maps[kind].read(rest, path, report)
        return values if values is FAILED else {self.tag: kind, **values}

    def schema(self, defs: Json) -> Json:
        tag = {"enum": list(self.maps), "description": self.help}
        cases = []
        for kind, shape in self.maps.items():
            then = shape.schema(defs)
            then["properties"] = {self.tag: {"const": kind}, **then["properties"]}
            cases.append({"if": {"properties": {self.tag: {"const": kind}}, "required": [self.tag]}, "then": then})
        return {"type": "object", "properties": {self.tag: tag}, "required": [self.tag], "allOf": cases}


class Variants(Shape):
    """Either a single value, or a map that is recognised by the one key that only it has."""

    def __init__(self, what: str, scalar: Shape | None, maps: MappingOf[str, Map]) -> None:
        self.what, self.scalar, self.maps = what, scalar, dict(maps)

    def read(self, node: Node, path: str, report: Report) -> Any:
        if isinstance(node, Scalar) and self.scalar is not None:
            return self.scalar.read(node, path, report)
        if not isinstance(node, Mapping):
            return refuse(node, path, report, self.what)
        kinds = [entry.key.text for entry in node.entries if entry.key.text in self.maps]
        if len(kinds) != 1:
            what = f"found {' and '.join(f'`{kind}`' for kind in kinds)}" if kinds else found(node)
            wanted = f"expected just one of {one_of(list(self.maps))}"
            report.form(node.line, path, what, wanted)
            return FAILED
        values = self.maps[kinds[0]].read(node, path, report)
        return values if values is FAILED else (kinds[0], values)

    def schema(self, defs: Json) -> Json:
        cases = [shape.schema(defs) for shape in self.maps.values()]
        return {"anyOf": ([self.scalar.schema(defs)] if self.scalar else []) + cases}


class Shared(Shape):
    """A shape with a name of its own, which may contain itself."""

    def __init__(self, name: str, what: str, shape: Callable[[], Shape]) -> None:
        self.name, self.what, self._shape = name, what, shape

    def read(self, node: Node, path: str, report: Report) -> Any:
        return self._shape().read(node, path, report)

    def show(self, value: Any) -> str:
        return self._shape().show(value)

    def schema(self, defs: Json) -> Json:
        if self.name not in defs:
            defs[self.name] = {}
            defs[self.name] = self._shape().schema(defs)
        return {"$ref": f"#/$defs/{self.name}"}


def entries(node: Mapping, path: str, report: Report, secret: bool = False) -> list[Entry]:
    """The entries of a map, each key once and its line noted; a second one is a fault that names both lines."""
    first: dict[str, Entry] = {}
    for entry in node.entries:
        key = entry.key.text
        here = path if secret else join(path, key)
        if key in first:
            what = f"found this key a second time (first on line {first[key].key.line})"
            report.form(entry.key.line, here, what, "expected each key once")
        else:
            first[key] = entry
            report.lines[here] = entry.key.line
    return list(first.values())


def refuse(node: Node, path: str, report: Report, wanted: str, hint: str = "") -> Any:
    """Tells that something else stands there than wanted. Returns FAILED."""
    if not isinstance(node, Broken):
        report.form(node.line, path, found(node), f"expected {wanted}{hint}")
    return FAILED


def _not_a_map(node: Node, path: str, report: Report, what: str) -> Any:
    hint = ""
    if isinstance(node, Scalar) and ":" in node.text and ": " not in node.text:
        hint = " (`key: value`, with a blank after the colon)"
    return refuse(node, path, report, what, hint)


def document_schema(shape: Shape, title: str) -> Json:
    """The JSON Schema of a whole file."""
    defs: Json = {}
    schema = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": title, **shape.schema(defs)}
    return schema | ({"$defs": defs} if defs else {})
