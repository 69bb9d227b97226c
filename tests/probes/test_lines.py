"""Lines out of a stream that is cut anywhere, noisy, or endless."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.probes.formats.lines import LINE_LIMIT, LineBuffer, readable


def begun() -> LineBuffer:
    """A buffer that has seen a line end already."""
    buffer = LineBuffer()
    buffer.feed(b"\n")
    return buffer


def test_the_first_line_is_kept_aside() -> None:
    buffer = LineBuffer()
    assert buffer.feed(b"31.4\nT=131.4\nT=131.5") == [b"T=131.4"]
    assert buffer.first == b"31.4"
    assert buffer.counts["lines_first"] == 1


@pytest.mark.parametrize("cut", range(len(b"T=131.4\r\nT=131.5\r\n") + 1))
@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_a_cut_at_any_byte_gives_no_part_of_a_line(cut: int, end: bytes) -> None:
    stream = b"T=131.4\r\nT=131.5\r\n".replace(b"\r\n", end)
    whole, tail = begun(), LineBuffer()
    assert whole.feed(stream[:cut]) + whole.feed(stream[cut:]) == [b"T=131.4", b"T=131.5"]
    assert set(tail.feed(stream[cut:])) <= {b"T=131.4", b"T=131.5"}


def test_an_over_long_line_is_dropped_to_its_end() -> None:
    buffer = begun()
    for _ in range(100):
        assert buffer.feed(b"x" * 100) == []
    assert buffer.feed(b"T=31.4\nT=31.5\n") == [b"T=31.5"]
    assert buffer.counts["lines_over_long"] == 1


def test_a_line_of_the_limit_passes_and_one_byte_more_does_not() -> None:
    buffer = begun()
    assert buffer.feed(b"x" * LINE_LIMIT + b"\n" + b"x" * (LINE_LIMIT + 1) + b"\n") == [b"x" * LINE_LIMIT]


@pytest.mark.parametrize("line", [b"T=31.4\x00", b"\xff\xff\xff", b"T=3\x071.4", b"T=\xc3"])
def test_binary_rubbish_is_counted(line: bytes) -> None:
    buffer = begun()
    assert buffer.feed(line + b"\n") == []
    assert buffer.counts["lines_binary"] == 1


def test_text_in_utf8_with_tabs_is_readable() -> None:
    assert readable("T\t21 °C".encode())


def test_after_a_break_the_next_line_is_a_first_one() -> None:
    buffer = begun()
    assert buffer.feed(b"T=1\nT=13") == [b"T=1"]
    buffer.restart()
    assert buffer.feed(b"1.4\nT=2\n") == [b"T=2"]


@given(st.lists(st.binary(max_size=700), max_size=20))
def test_what_comes_out_stood_between_two_line_ends(chunks: list[bytes]) -> None:
    buffer = LineBuffer()
    lines = [line for chunk in chunks for line in buffer.feed(chunk)]
    standing = b"".join(chunks).replace(b"\r", b"\n").split(b"\n")[1:-1]
    assert all(line in standing and len(line) <= LINE_LIMIT for line in lines)
    counts = buffer.counts
    assert counts["lines"] == len(lines) + counts["lines_first"] + counts["lines_over_long"] + counts["lines_binary"]
    assert len(buffer._rest) <= LINE_LIMIT
