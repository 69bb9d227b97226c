"""The tables in `kojimon/contract/README.md`, made of the records: `python -m tests.contract.tables`."""

from __future__ import annotations

import inspect
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import msgspec

import kojimon.contract
from kojimon.contract import acts, events, inputs

README = Path(kojimon.contract.__file__).with_name("README.md")
TABLES: dict[str, Mapping[str, type]] = {"inputs": inputs.OF_KIND, "acts": acts.OF_KIND, "events": events.OF_KIND}


def written() -> str:
    """The README with its tables as the records say."""
    text = README.read_text(encoding="utf-8")
    for name, records in TABLES.items():
        begin, end = f"<!-- {name}: made of the records -->\n", f"<!-- end of {name} -->"
        rows = "".join(f"| `{kind}` | {_meaning(record)} | {_fields(record)} |\n" for kind, record in records.items())
        head = f"| kind | meaning | fields |\n|---|---|---|\n{rows}"
        before, _, rest = text.partition(begin)
        text = before + begin + head + end + rest.partition(end)[2]
    return text


def _meaning(record: type) -> str:
    return " ".join(inspect.cleandoc(record.__doc__ or "").split()).replace("|", "\\|")


def _fields(record: Any) -> str:
    named = sorted(msgspec.structs.fields(record), key=lambda one: record.__struct_fields__.index(one.name))
    return ", ".join(f"`{one.encode_name}` {_type(one.type)}".strip() for one in named) or "-"


def _type(kind: Any) -> str:
    if kind is msgspec.Raw:
        return "object"
    (schema,), shared = msgspec.json.schema_components([kind])
    return _name(schema, shared)


def _name(schema: dict[str, Any], shared: dict[str, Any]) -> str:
    if "$ref" in schema:
        return str(schema["$ref"]).rsplit("/", 1)[-1]
    if "anyOf" in schema:
        return "/".join(_name(one, shared) for one in schema["anyOf"] if one.get("type") != "null")
    if schema.get("type") == "array":
        inner: Iterable[Any] = [schema["items"]] if schema.get("items") else schema.get("prefixItems", [])
        return f"({', '.join(_name(one, shared) for one in inner)}){'' if schema.get('prefixItems') else '...'}"
    return str({"string": "text", "boolean": "yes/no"}.get(schema.get("type", ""), schema.get("type", "object")))


if __name__ == "__main__":
    README.write_text(written(), encoding="utf-8")
