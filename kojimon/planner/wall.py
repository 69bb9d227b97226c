"""A plan as one page for the kitchen wall: large, black on white, for a printer."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

Table = Sequence[Sequence[str]]

_PAGE = """<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>{title}</title>
<style>
@page {{ margin: 12mm }}
body {{ font: 13pt/1.35 sans-serif; color: #000; background: #fff; max-width: 19cm; margin: 1em auto }}
h1 {{ font-size: 20pt; margin: 0 0 .4em }} h2 {{ font-size: 14pt; margin: .9em 0 .2em }}
table {{ border-collapse: collapse; width: 100% }}
td {{ border-bottom: 1px solid #888; padding: .15em .6em .15em 0; vertical-align: top }}
p {{ margin: .4em 0; font-size: 11pt }}
</style>
<h1>{title}</h1>
{body}
</html>
"""


def wall(title: str, tables: Sequence[tuple[str, Table]], notes: Sequence[str]) -> str:
    """The page: tables under their headings ("" for none), then the notes. Everything is escaped."""
    parts = []
    for head, rows in tables:
        parts += [f"<h2>{escape(head)}</h2>"] * bool(head) + [_table(rows)]
    parts += [f"<p>{escape(note)}</p>" for note in notes]
    return _PAGE.format(title=escape(title), body="\n".join(parts))


def _table(rows: Table) -> str:
    lines = ["<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows]
    return "<table>\n" + "\n".join(lines) + "\n</table>"
