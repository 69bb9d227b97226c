"""One linear solver: from any amount given to every amount that follows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

Equation = Mapping[str, float]
"""Name -> coefficient, "" the constant: the sum of them is 0."""


class ContradictionError(ValueError):
    """The equations cannot all hold."""


def solve(equations: Iterable[Equation]) -> dict[str, float]:
    """The amounts that the equations determine; what they leave open is left out.

    Gauss-Jordan elimination, an equation at a time. Raises ContradictionError.
    """
    pivots: dict[str, dict[str, float]] = {}
    for equation in equations:
        row = {name: value for name, value in equation.items() if value or not name}
        for name in [name for name in row if name in pivots]:
            _add(row, pivots[name], -row[name])
        found = max((name for name in row if name), key=lambda name: abs(row[name]), default="")
        if not found:
            if abs(row.get("", 0.0)) > 1e-9:
                raise ContradictionError
            continue
        scale = 1 / row[found]
        row = {name: value * scale for name, value in row.items()}
        for other in pivots.values():
            if found in other:
                _add(other, row, -other[found])
        pivots[found] = row
    return {name: -row.get("", 0.0) for name, row in pivots.items() if not set(row) - {name, ""}}


def _add(row: dict[str, float], other: Mapping[str, float], factor: float) -> None:
    """Adds a multiple of another row; what cancels is gone."""
    for name, value in other.items():
        total = row.get(name, 0.0) + factor * value
        if abs(total) > 1e-12 * max(1.0, abs(factor * value)) or not name:
            row[name] = total
        else:
            row.pop(name, None)
