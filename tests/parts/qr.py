"""A QR code read back from half blocks, in the words of ISO/IEC 18004: format, mask, codewords in two-module columns.

It corrects no error: what our own screen shows has none. Table of blocks and order of the format bits: from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

Modules = list[list[bool]]
"""Rows of modules without the quiet zone, True for dark."""
LEVELS: Final = {0b01: "L", 0b00: "M", 0b11: "Q", 0b10: "H"}
FORMAT_MASK: Final = 0b101010000010010
MASKS: Final[tuple[Callable[[int, int], int], ...]] = (
    lambda i, j: (i + j) % 2, lambda i, j: i % 2, lambda i, j: j % 3, lambda i, j: (i + j) % 3,
    lambda i, j: (i // 2 + j // 3) % 2, lambda i, j: i * j % 2 + i * j % 3, lambda i, j: (i * j % 2 + i * j % 3) % 2,
    lambda i, j: ((i + j) % 2 + i * j % 3) % 2,
)  # fmt: skip
BLOCKS: Final = {
    "2L": (34,), "2M": (28,), "2Q": (22,), "2H": (16,), "3L": (55,), "3M": (44,), "3Q": (17, 17), "3H": (13, 13),
    "4L": (80,), "4M": (32, 32), "4Q": (24, 24), "4H": (9,) * 4, "5L": (108,), "5M": (43, 43),
    "5Q": (15, 15, 16, 16), "5H": (11, 11, 12, 12), "6L": (68, 68), "6M": (27,) * 4, "6Q": (19,) * 4, "6H": (15,) * 4,
}  # fmt: skip
"""Data codewords of each block, by version and level of correction."""
BYTES: Final = 0b0100


def modules(screen: str) -> Modules:
    """The code among the lines of a dark screen, where what is printed is light."""
    lines = [line for line in screen.splitlines() if line.strip() and set(line) <= set(" ▀▄█")]
    rows = [[sign in dark for sign in line] for line in lines for dark in (" ▄", " ▀")]
    top = next(at for at, row in enumerate(rows) if any(row))
    left, size = rows[top].index(True), len(rows[top]) - rows[top][::-1].index(True) - rows[top].index(True)
    return [row[left : left + size] for row in rows[top : top + size]]


def read(screen: str) -> str:
    """The text of the code. KeyError for a size that is none of BLOCKS."""
    code = modules(screen)
    size = len(code)
    around = [(8, j) for j in (0, 1, 2, 3, 4, 5, 7, 8)] + [(i, 8) for i in (7, 5, 4, 3, 2, 1, 0)]
    about = _number([code[i][j] for i, j in around]) ^ FORMAT_MASK
    mask = MASKS[about >> 10 & 0b111]
    bits = [code[i][j] ^ (mask(i, j) == 0) for i, j in _places(size)]
    words = iter([_number(bits[at : at + 8]) for at in range(0, len(bits) - 7, 8)])
    lengths = BLOCKS[f"{(size - 17) // 4}{LEVELS[about >> 13]}"]
    blocks: list[list[int]] = [[] for _ in lengths]
    for at in range(max(lengths)):
        for block in (block for block, length in zip(blocks, lengths, strict=True) if at < length):
            block.append(next(words))
    stream = "".join(f"{word:08b}" for block in blocks for word in block)
    assert int(stream[:4], 2) == BYTES
    count = int(stream[4:12], 2)
    return bytes(int(stream[at : at + 8], 2) for at in range(12, 12 + 8 * count, 8)).decode()


def _number(bits: list[bool]) -> int:
    return int("".join("01"[bit] for bit in bits), 2)


def _places(size: int) -> Iterator[tuple[int, int]]:
    """Where the codewords stand, in their order: columns of two from the right, upwards first, column 6 left out."""
    upwards = True
    for right in [*range(size - 1, 6, -2), 5, 3, 1]:
        for i in range(size)[:: -1 if upwards else 1]:
            yield from ((i, j) for j in (right, right - 1) if not _fixed(size, i, j))
        upwards = not upwards


def _fixed(size: int, i: int, j: int) -> bool:
    """Whether a module belongs to a finder, a timing line or the alignment pattern of versions 2 to 6."""
    finder = (i < 9 and j < 9) or (i < 9 and j >= size - 8) or (i >= size - 8 and j < 9)
    return finder or 6 in (i, j) or (abs(i - size + 7) <= 2 and abs(j - size + 7) <= 2)
