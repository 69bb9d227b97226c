"""Decoders: strict, total, bounded."""

import json
import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from kojimon.probes.formats.decode import (
    ABSENT,
    MALFORMED,
    NO_VALUE,
    PAYLOAD_LIMIT,
    UNREADABLE,
    Bad,
    at_path,
    fields,
    json_document,
    key_values,
    number,
    parse_path,
    quoted,
)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        (b"21.5", 21.5),
        (b" 21.5\r\n", 21.5),
        (b"+21.5", 21.5),
        (b"-0.0625", -0.0625),
        (b"025.30", 25.3),
        (b"2.15e1", 21.5),
        (b"2150E-2", 21.5),
    ],
)
def test_reads_plain_decimal_numbers(text: bytes, value: float) -> None:
    assert number(text) == value


@pytest.mark.parametrize(
    "text",
    [
        # Texts that float() of CPython accepts or that JSON readers turn into numbers, and that are no measurement.
        b"1e400",
        b"-1e400",
        b"1_000",
        "٢١.٥".encode(),
        "２１.５".encode(),
        b"true",
        b"True",
        b"21,5",
        b"",
        b" ",
        b"0x1F",
        b"21.5 C",
        b"21.5C",
        b"2 1.5",
        b"21.5\x00",
        b"21.5\x0b",
        b"\x1c21.5",
        "\u00a021.5".encode(),
        "\u221221.5".encode(),
        b"--1",
        b"1e",
        b".",
        b"+",
        b"1.2.3",
        b"21.",
        b".5",
        b"-.5",
        b"21.e1",
        b"1e5555",
        b"0" * 33,
    ],
)
def test_refuses_everything_else(text: bytes) -> None:
    assert number(text) is UNREADABLE


@pytest.mark.parametrize(
    "text", [b"nan", b"NaN", b"null", b"None", b"unavailable", b" Unknown\n", b"inf", b"-Infinity"[:4]]
)
def test_knows_the_words_for_no_measurement(text: bytes) -> None:
    assert number(text) is NO_VALUE


@given(st.binary(max_size=200))
@example(b"1" * 33)
def test_a_number_is_only_what_python_reads_there_too(text: bytes) -> None:
    result = number(text)
    if isinstance(result, float):
        assert math.isfinite(result)
        assert result == float(text)
        assert set(text) <= set(b"0123456789+-.eE \t\r\n")
    else:
        assert isinstance(result, Bad)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_survives_the_way_there_and_back(value: float) -> None:
    assert number(repr(value).encode()) == value


def test_paths() -> None:
    assert parse_path("") == ()
    assert parse_path("a.b[0].c") == ("a", "b", 0, "c")
    assert parse_path("DS18B20-1.Temperature") == ("DS18B20-1", "Temperature")
    assert parse_path("[3][0]") == (3, 0)


@pytest.mark.parametrize("text", ["a..b", "a.", ".a", "a[", "a[x]", "a.[0]", "a[-1]", " a", "a\n", ".".join("a" * 17)])
def test_wrong_paths_are_refused_with_an_example(text: str) -> None:
    with pytest.raises(ValueError, match=r"a\.b\[0\]\.c"):
        parse_path(text)


@given(st.text(max_size=30))
def test_any_text_is_a_path_or_a_told_mistake(text: str) -> None:
    try:
        path = parse_path(text)
    except ValueError as error:
        assert "no path into JSON" in str(error)
    else:
        assert all(isinstance(step, str | int) for step in path)


def read(payload: bytes, path: str) -> object:
    steps = parse_path(path)
    document = json_document(payload, quoted(steps))
    return document if document is MALFORMED else at_path(document, steps)


@pytest.mark.parametrize(
    ("payload", "path", "value"),
    [
        (b'{"temperature":27.34,"humidity":44.72}', "humidity", 44.72),
        (b'{"Time":"2017-02-16T10:13:52", "DS18B20":{"Temperature":20.6}}', "DS18B20.Temperature", 20.6),
        (b'{"a":[{"t":"21.5"}]}', "a[0].t", 21.5),
        (b'{"a":30}', "a", 30.0),
        (b"21.5", "", 21.5),
        ('{"°C":21.5}'.encode(), "°C", 21.5),
        (b'{"\\u00b0C":21.5}', "°C", 21.5),
    ],
)
def test_reads_json_by_path(payload: bytes, path: str, value: float) -> None:
    assert read(payload, path) == value


@pytest.mark.parametrize(
    ("payload", "verdict"),
    [
        (b'{"t":null}', NO_VALUE),
        (b'{"t":"nan"}', NO_VALUE),
        (b'{"t":true}', UNREADABLE),
        (b'{"t":"21,5"}', UNREADABLE),
        (b'{"t":[21.5]}', UNREADABLE),
        (b'{"t":{"v":21.5}}', UNREADABLE),
        (b'{"t":' + b"9" * 400 + b"}", UNREADABLE),
        (b'{"t":"' + b"9" * 400 + b'"}', UNREADABLE),
        (b'{"t":"\\ud800"}', MALFORMED),
        (b'{"u":21.5}', ABSENT),
        (b"[21.5]", ABSENT),
        (b"21.5", ABSENT),
        (b'{"t":NaN}', MALFORMED),
        (b'{"t":Infinity}', MALFORMED),
        (b'{"t":1e400}', MALFORMED),
        (b'{"t":1,"t":2}', MALFORMED),
        (b'{"t":1,"\\u0074":2}', MALFORMED),
        (b'{"t":021.5}', MALFORMED),
        (b'{"t":21.}', MALFORMED),
        (b'{"t":21.5', MALFORMED),
        (b'{"t":21.5}{"t":21.6}', MALFORMED),
        (b'\xef\xbb\xbf{"t":21.5}', MALFORMED),
        (b'{"t":"\xff"}', MALFORMED),
        (b"[" * 50_000, MALFORMED),
        (b'{"t":21.5,"x":"' + b"y" * PAYLOAD_LIMIT + b'"}', MALFORMED),
        (b"", MALFORMED),
    ],
)
def test_json_without_a_single_clear_number(payload: bytes, verdict: Bad) -> None:
    assert read(payload, "t") is verdict


@pytest.mark.parametrize("path", ["[5]", "a", "[0].x"])
def test_paths_that_lead_nowhere(path: str) -> None:
    assert read(b"[[1]]", path) is ABSENT


@given(st.binary(max_size=300), st.sampled_from(["", "t", "a[0]"]))
def test_no_bytes_make_json_raise(payload: bytes, path: str) -> None:
    result = read(payload, path)
    assert isinstance(result, Bad) or math.isfinite(float(str(result)))


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from("tab"), inner, max_size=4),
    max_leaves=8,
)


@given(JSON, st.sampled_from(["", "t", "t.a", "[0]", "t[1].b"]))
def test_a_number_from_json_is_the_one_that_stands_there(document: object, path: str) -> None:
    result = read(json.dumps(document).encode(), path)
    if isinstance(result, Bad):
        return
    found: object = document
    for step in parse_path(path):
        found = found[step]  # type: ignore[index]
    assert not isinstance(found, bool)
    assert isinstance(found, float | int | str)
    assert float(found) == result


def test_csv_fields() -> None:
    assert fields(b' 21.5; "80" ;;x ', b";") == [b"21.5", b"80", b"", b"x"]


def test_key_value_lines() -> None:
    assert key_values(b" T=31.42, H = 80.1;x=1\t ") == {b"T": b"31.42", b"H": b"80.1", b"x": b"1"}


@pytest.mark.parametrize("line", [b"T=21,5", b"T=21 C", b"boot", b"", b"T==1", b"=1", b"T=1 H"])
def test_a_line_with_a_part_that_is_no_pair_is_refused_whole(line: bytes) -> None:
    assert key_values(line) is MALFORMED


def test_a_key_that_stands_twice_has_no_value() -> None:
    pairs = key_values(b"T=1 T=2 H=3")
    assert pairs == {b"T": b"", b"H": b"3"}


@given(st.binary(max_size=600))
def test_no_bytes_make_the_line_readers_raise(line: bytes) -> None:
    assert isinstance(fields(line, b","), list)
    assert isinstance(key_values(line), dict | Bad)
