"""Reads a curve file: CSV, first column `time` or `hour`, a column a probe or place, perhaps a column `step`.

    time,bed.temperature_c,air.humidity_pct,step
    2026-03-29T01:30:00+01:00,31.5,,inoculate

`time` is ISO 8601 with its zone, so a night in which the hour changes reads as it was; `hour` is hours since
inoculation. A cell is empty where there was no reading. The file is taken whole or refused whole, with every fault.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, NamedTuple

from msgspec import Struct

from kojimon.errors import ConfigurationError, Fault
from kojimon.model import Place
from kojimon.units import DECIMAL, EXPONENT, c_from_f

QUANTITY_OF: Final = {
    "temperature_c": "temperature",
    "temperature_f": "temperature",
    "humidity_pct": "humidity",
}
"""What may follow the dot of a column's name, and the quantity it is."""

BY_HAND: Final = "by-hand"
"""The end of a column's name that holds what was read by hand: `bed-by-hand`, `bed-top-by-hand`."""
FAULTS_TOLD: Final = 50
ROWS_MOST: Final = 5_000_000
HOUR_MS: Final = 3_600_000
HUMIDITY_MOST: Final = 104.0
"""From here on a humidity is a fault, not saturation (WMO CBS/ET-AWS-1 doc. 9(2), as in `probes.devices`)."""
MOST_C: Final = 60.0
"""Neither koji nor its air is beyond for long: the numbers are °F (judgement)."""
HOURS_MOST: Final = 100_000
ABSOLUTE_ZERO_C: Final = -273.15
EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)

_NAME = re.compile(r"[^\s.,;]+")
_NUMBER = re.compile(DECIMAL + EXPONENT)
_STEP = re.compile(r"[a-z][a-z0-9-]*", re.ASCII)


class Column(Struct, frozen=True):
    """One series of a curve.

    Attributes:
        name: what stands before the dot: a place (`bed`, `bed-2`, `bed-top`) or a probe's name.
        place: the place it belongs to (model.Place).
        tray: what follows the place in the name, "" for nothing.
        quantity: `temperature` or `humidity`.
        unit: as in the file: `c`, `f` or `pct`. Values are converted to °C and %.
    """

    name: str
    place: str
    tray: str
    quantity: str
    unit: str

    @property
    def by_hand(self) -> bool:
        """Whether it holds what somebody read."""
        return self.tray == BY_HAND or self.tray.endswith(f"-{BY_HAND}")


class CurveRow(NamedTuple):
    """One line: ms since the first row (`time`) or since hour 0 (`hour`), a value a column, a step's name or ""."""

    t_ms: int
    values: tuple[float | None, ...]
    step: str


class Curve(Struct, frozen=True):
    """A curve file as read.

    Attributes:
        columns: in the order of the file.
        rows: in order of time; several may carry the same time.
        start_utc_ms: UTC (ms since 1970) of the first row; None where the file counts hours, then t_ms is from hour 0.
    """

    columns: tuple[Column, ...]
    rows: tuple[CurveRow, ...]
    start_utc_ms: int | None


def read_curve(path: Path, places: Mapping[str, str] | None = None) -> Curve:
    """Reads a curve file.

    Args:
        path: the file.
        places: place of each probe the caller knows by name; other columns must be named after a place.

    Raises:
        ConfigurationError: the file cannot be read or is faulty; every fault with its line.
    """
    try:
        data = path.read_bytes()
    except OSError as problem:
        raise ConfigurationError(
            [Fault(str(path), 0, "", f"cannot be read ({problem.strerror})", "name another file")]
        ) from problem
    return parse_curve(data, str(path), places or {})


def parse_curve(data: bytes, name: str, places: Mapping[str, str]) -> Curve:
    """The same from the file's bytes; `name` stands in the faults."""
    return _Parser(name, places).parse(data)


def place_and_tray(name: str) -> tuple[str, str] | None:
    """The place a column's name begins with, and what follows its hyphen; None where it is no place."""
    for place in sorted(Place, key=len, reverse=True):
        if name == place:
            return place.value, ""
        if name.startswith(f"{place.value}-"):
            return place.value, name[len(place.value) + 1 :]
    return None


class _Parser:
    """Holds the faults found so far."""

    def __init__(self, name: str, places: Mapping[str, str]) -> None:
        self._name, self._places = name, places
        self._faults: list[Fault] = []
        self._more = self._more_from = 0

    def _fault(self, line: int, path: str, found: str, wanted: str) -> None:
        if len(self._faults) < FAULTS_TOLD:
            self._faults.append(Fault(self._name, line, path, found, wanted))
        else:
            self._more_from = self._more_from or line
            self._more += 1

    def parse(self, data: bytes) -> Curve:
        lines = self._lines(data)
        header = next(lines, None)
        curve = self._body(header, lines) if header else None
        if not header and not self._faults:
            self._fault(0, "", "the file is empty", "expected a line that names the columns first")
        if self._more:
            self._faults.append(Fault(self._name, self._more_from, "", f"{self._more} more faults", "mend these first"))
        if self._faults or curve is None:
            raise ConfigurationError(self._faults)
        return curve

    def _lines(self, data: bytes) -> Iterator[tuple[int, list[str]]]:
        """(line number, cells) of every line that is not blank."""
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError as problem:
            line = data.count(b"\n", 0, problem.start) + 1
            self._fault(line, "", f"a byte 0x{data[problem.start]:02x} that is not UTF-8", "save the file as UTF-8")
            return
        reader = csv.reader(io.StringIO(text, newline=""), strict=True)
        try:
            for cells in reader:
                if any(cell.strip() for cell in cells):
                    yield reader.line_num, [cell.strip() for cell in cells]
        except csv.Error as problem:
            self._fault(reader.line_num, "", f"the line is no CSV ({problem})", "check its quotation marks")

    # The header.

    def _body(self, header: tuple[int, list[str]], lines: Iterator[tuple[int, list[str]]]) -> Curve | None:
        line, names = header
        if len(names) == 1 and (";" in names[0] or "\t" in names[0]):
            self._fault(line, "", "the columns are separated by semicolons or tabs", "separate them by commas")
            return None
        if names[0] not in ("time", "hour"):
            wanted = "expected `time` (ISO 8601 with zone) or `hour` (hours since inoculation) as first column"
            self._fault(line, "", f"the first column is {_quoted(names[0])}", wanted)
            list(lines)
            return None
        columns, step_at = self._columns(line, names)
        moment = self._time_ms if names[0] == "time" else self._hour_ms
        rows = self._rows(lines, names, columns, step_at, moment)
        self._units(line, columns, rows)
        return _curve(columns, rows, names[0] == "time")

    def _columns(self, line: int, names: Sequence[str]) -> tuple[list[Column | None], int | None]:
        """A Column for each cell after the first, None for the step's; and where that one stands."""
        columns: list[Column | None] = []
        step_at: int | None = None
        seen: set[tuple[str, str]] = set()
        for index, name in enumerate(names[1:], 1):
            if name in ("step", "task"):  # by its earlier name
                if step_at is not None:
                    self._fault(line, "step", "a second column step", "expected one")
                step_at = index
                columns.append(None)
                continue
            column = self._column(line, name)
            key = (column.name, column.quantity) if column else (name, "")
            if key in seen:
                self._fault(
                    line,
                    name,
                    f"{column.quantity if column else 'a column'} of {key[0]} a second time",
                    "name each once",
                )
            seen.add(key)
            columns.append(column)
        if not any(columns) and not self._faults:
            self._fault(line, "", "no column with readings", "expected at least one, as in `bed.temperature_c`")
        return columns, step_at

    def _column(self, line: int, name: str) -> Column | None:
        site, _, measure = name.rpartition(".")
        quantity = QUANTITY_OF.get(measure)
        if quantity is None or not _NAME.fullmatch(site):
            known = ", ".join(f".{measure}" for measure in QUANTITY_OF)
            self._fault(
                line, name, f"{_quoted(name)} is no column's name", f"expected PLACE or PROBE and one of {known}"
            )
            return None
        found = (self._places[site], "") if site in self._places else place_and_tray(site)
        if found is None:
            known = ", ".join(place.value for place in Place)
            self._fault(line, name, f"{_quoted(site)} is no place", f"expected one of {known}, as in `bed-2`")
            return None
        return Column(site, found[0], found[1], quantity, measure.rpartition("_")[2])

    # The rows.

    def _rows(
        self,
        lines: Iterator[tuple[int, list[str]]],
        names: Sequence[str],
        columns: Sequence[Column | None],
        step_at: int | None,
        moment: Callable[[int, str], int | None],
    ) -> list[CurveRow]:
        rows: list[CurveRow] = []
        last_ms: int | None = None
        for line, cells in lines:
            if len(rows) >= ROWS_MOST:
                self._fault(line, "", f"over {ROWS_MOST} lines", "split the file")
                break
            if len(cells) != len(names):
                hint = "expected one for each column; decimals take a point, not a comma"
                self._fault(line, "", f"{len(cells)} cells where the first line names {len(names)} columns", hint)
                continue
            t_ms = moment(line, cells[0])
            if t_ms is not None:
                if last_ms is not None and t_ms < last_ms:
                    self._fault(
                        line, names[0], f"{cells[0]} is earlier than the line before", "order the lines by time"
                    )
                last_ms = t_ms
            step = self._step(line, cells[step_at]) if step_at is not None else ""
            values = [
                self._value(line, name, cell, column)
                for name, cell, column in zip(names[1:], cells[1:], columns, strict=True)
                if column is not None
            ]
            rows.append(CurveRow(t_ms or 0, tuple(values), step))
        return rows

    def _time_ms(self, line: int, cell: str) -> int | None:
        try:
            moment = datetime.fromisoformat(cell)
        except ValueError:
            self._fault(line, "time", f"{_quoted(cell)} is no time", "as in 2026-03-29T01:30:00+01:00")
            return None
        if moment.utcoffset() is None:
            self._fault(line, "time", f"{_quoted(cell)} has no zone", "add it, as in +01:00, or Z for UTC")
            return None
        return (moment - EPOCH) // timedelta(milliseconds=1)

    def _hour_ms(self, line: int, cell: str) -> int | None:
        if not _NUMBER.fullmatch(cell) or abs(float(cell)) > HOURS_MOST:
            self._fault(line, "hour", f"{_quoted(cell)} is no hour", "expected hours since inoculation, as in 26.5")
            return None
        return round(float(cell) * HOUR_MS)

    def _step(self, line: int, cell: str) -> str:
        if cell and not _STEP.fullmatch(cell):
            self._fault(line, "step", f"{_quoted(cell)} is no step's name", "as in inoculate, mix or mix-2")
        return cell

    def _value(self, line: int, name: str, cell: str, column: Column) -> float | None:
        if not cell:
            return None
        if not _NUMBER.fullmatch(cell) or not math.isfinite(value := float(cell)):
            self._fault(
                line, name, f"{_quoted(cell)} is no number", "as in 30.5; leave it empty where there was no reading"
            )
            return None
        if column.quantity == "temperature":
            value = c_from_f(value) if column.unit == "f" else value
            if value < ABSOLUTE_ZERO_C:
                self._fault(line, name, f"{cell} is below absolute zero", "check the value and the column's unit")
        elif not 0 <= value < HUMIDITY_MOST:
            self._fault(line, name, f"{cell} is no humidity", "expected 0 to 100 %; leave it empty where it was wrong")
        return value

    def _units(self, line: int, columns: Sequence[Column | None], rows: Sequence[CurveRow]) -> None:
        """Refuses a column in another unit than its name says: humidities that are shares of one, for 0.82 is not under
        one percent; °F under the name of °C."""
        for at, column in enumerate(column for column in columns if column):
            seen = sorted(value for row in rows if (value := row.values[at]) is not None)
            if column.quantity == "humidity" and seen and 0 < seen[-1] <= 1:
                name, found = f"{column.name}.humidity_pct", f"no humidity over {seen[-1]:g}"
                self._fault(line, name, found, "expected percent, as in 82; where it is 0.82, times 100")
            elif column.unit == "c" and seen and seen[len(seen) // 2] > MOST_C:
                name, found = f"{column.name}.temperature", f"most of it is over {MOST_C:g} °C"
                self._fault(line, f"{name}_c", found, f"no koji is so hot; where it is °F, name the column {name}_f")


def _curve(columns: Sequence[Column | None], rows: Sequence[CurveRow], timed: bool) -> Curve:
    start_ms = rows[0].t_ms if timed and rows else 0
    moved = tuple(row._replace(t_ms=row.t_ms - start_ms) for row in rows) if timed else tuple(rows)
    return Curve(tuple(column for column in columns if column), moved, start_ms if timed else None)


def _quoted(text: str) -> str:
    return f"`{text[:40]}{'...' if len(text) > 40 else ''}`"
