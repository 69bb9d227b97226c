"""Values from a JSON Schema, and values near it: one thing taken away, put in or replaced."""

from __future__ import annotations

import json
import re
from typing import Any

from hypothesis import strategies as st
from jsonschema import Draft202012Validator, ValidationError  # type: ignore[import-untyped]
from jsonschema.validators import extend  # type: ignore[import-untyped]

Json = dict[str, Any]
TEXTS = ("no", "12:30", "010", "true", "5", "1e3", "30 C", "85 %", "2 kg", "40 h", "a,b", "never", "bed", "wake", "{}")
JUNK: list[Any] = [
    *(None, True, False, 0, 1, -1, 70_000, 10**12, 0.5, 1e-7, 1e300),
    *TEXTS,
    *("ä✓", "# a", "-", "%", "a: b", "", " ", "x" * 600, "a\nb", "a\tb"),
    *([], {}, [1], ["a", "a"], {"a": 1}, {"file": "x"}, {"kind": "mqtt"}, {"after": "x"}, {"holds": "x", "after": "y"}),
]


def _pattern(validator: Any, pattern: str, instance: Any, schema: Json) -> Any:
    # JSON Schema's patterns are ECMA-262's, where `$` is the end of the text; in Python it also fits before a newline.
    if isinstance(instance, str) and not re.search(pattern.replace("$", r"\Z"), instance):
        yield ValidationError(f"{instance!r} does not match {pattern!r}")


Validator: Any = extend(Draft202012Validator, {"pattern": _pattern})


def from_schema(schema: Json, root: Json, depth: int = 0) -> st.SearchStrategy[Any]:
    """Values that a schema allows (of the keywords our schemas use)."""
    if "$ref" in schema:
        found = root["$defs"][schema["$ref"].rpartition("/")[2]]
        return st.deferred(lambda: from_schema(found, root, depth + 1))
    if "const" in schema:
        return st.just(schema["const"])
    if "enum" in schema:
        return st.sampled_from(schema["enum"])
    if "anyOf" in schema:
        cases = schema["anyOf"][:1] if depth > 3 else schema["anyOf"]
        return st.one_of(*(from_schema(case, root, depth) for case in cases))
    types = schema["type"] if isinstance(schema["type"], list) else [schema["type"]]
    return st.one_of(*(_of_type(kind, schema, root, depth) for kind in types))


def _of_type(kind: str, schema: Json, root: Json, depth: int) -> st.SearchStrategy[Any]:
    if kind == "integer":
        return st.integers(schema["minimum"], schema["maximum"])
    if kind == "number":
        return st.floats(schema["minimum"], schema["maximum"])
    if kind == "string":
        longest = schema.get("maxLength", 200)
        texts = st.from_regex(schema["pattern"].replace("$", r"\Z"))
        return texts.filter(lambda text: len(text) <= longest and not re.search(r"[\ud800-\udfff]", text))
    if kind == "array":
        items = from_schema(schema["items"], root, depth + 1)
        unique = {"unique_by": json.dumps} if schema.get("uniqueItems") else {}
        return st.lists(items, min_size=schema.get("minItems", 0), max_size=min(3, schema["maxItems"]), **unique)  # type: ignore[arg-type]
    return _map(schema, root, depth)


def _map(schema: Json, root: Json, depth: int) -> st.SearchStrategy[Any]:
    if "propertyNames" in schema:
        names = schema["propertyNames"]
        keys = (
            st.sampled_from(names["enum"]) if "enum" in names else st.from_regex(names["pattern"].replace("$", r"\Z"))
        )
        least = schema.get("minProperties", 0)
        values = from_schema(schema["additionalProperties"], root, depth + 1)
        return st.dictionaries(keys, values, min_size=least, max_size=max(2, least))
    if "allOf" in schema:
        return st.one_of(*(from_schema({"type": "object", **case["then"]}, root, depth) for case in schema["allOf"]))
    parts = {key: from_schema(value, root, depth + 1) for key, value in schema["properties"].items()}
    required = set(schema.get("required", ())) | {
        key for key, value in schema["properties"].items() if "const" in value
    }
    if "minProperties" in schema and not required:
        return st.one_of(*(st.fixed_dictionaries({key: part}) for key, part in parts.items()))
    optional = {key: part for key, part in parts.items() if key not in required}
    return st.fixed_dictionaries({key: parts[key] for key in sorted(required)}, optional=optional)


def _places(value: Any) -> list[tuple[Any, Any]]:
    keys = list(value) if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else []
    return [(value, key) for key in keys] + [place for key in keys for place in _places(value[key])]


def near(schema: Json) -> st.SearchStrategy[Any]:
    """Values that the schema allows, most often with one thing changed."""
    return _changed(from_schema(schema, schema))


@st.composite
def _changed(draw: st.DrawFn, values: st.SearchStrategy[Any]) -> Any:
    value = json.loads(json.dumps(draw(values)))
    places = _places(value)
    if not places or draw(st.integers(0, 3)) == 0:
        return value
    holder, key = draw(st.sampled_from(places))
    change = draw(st.sampled_from(["junk", "remove", "add"]))
    if change == "junk":
        holder[key] = draw(st.sampled_from(JUNK))
    elif change == "remove":
        del holder[key]
    elif isinstance(holder, dict):
        holder[draw(st.sampled_from(["colour", "kind", "a b", "1", "Rice", key + "s"]))] = draw(st.sampled_from(JUNK))
    else:
        holder.append(draw(st.sampled_from(JUNK)))
    return value


_ODD = re.compile(r"[\x7f-\x9f\u2028\u2029\ufeff\ufffe\uffff]")


def as_yaml(value: Any) -> str:
    """A JSON value as YAML that every reader reads alike: flow style, every text in double quotes."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{as_yaml(key)}: {as_yaml(part)}" for key, part in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(as_yaml, value)) + "]"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))  # 5.0 and 5 are one number in JSON
    return _ODD.sub(lambda match: f"\\u{ord(match[0]):04x}", json.dumps(value, ensure_ascii=False))
