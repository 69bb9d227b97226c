"""The style sheet of the curve: light, dark, on paper. Lines differ by their dashes as well as by their colour.

Series colours after Okabe and Ito's palette for all kinds of colour vision ("Color Universal Design", 2008; values from
memory, darkened on light ground until each has a contrast of 3:1 or more). Red and yellow of alarms: ISO 22324,
colour-coded alerts (red danger, yellow caution, green safe).
"""

from __future__ import annotations

import re
from typing import Final

LIGHT: Final = (
    "--k-ink:#1d1b16;--k-soft:#5c574c;--k-line:#d9d4c7;--k-ground:#fffdf8;--k-band:#e4efdf;--k-edge:#5f7f52;"
    "--k-0:#0060a0;--k-1:#b84a00;--k-2:#00735a;--k-3:#96417c;--k-earlier:#8f8a7e;--k-fan:#c9dcec;--k-window:#d8d2c4;"
    "--k-due:#8f8570;--k-red:#b3161b;--k-yellow:#8a6100;"
)
DARK: Final = (
    "--k-ink:#f1ede3;--k-soft:#b5afa1;--k-line:#45413a;--k-ground:#1e1c18;--k-band:#26331f;--k-edge:#8fb37f;"
    "--k-0:#6ab8f0;--k-1:#f0914a;--k-2:#3fc39d;--k-3:#dd8fc4;--k-earlier:#8b8579;--k-fan:#24384a;--k-window:#4a453b;"
    "--k-due:#a99d85;--k-red:#ff8a84;--k-yellow:#e8c14a;"
)
RULES: Final = """
.k-sheet{font-family:system-ui,-apple-system,"Segoe UI",Roboto,"DejaVu Sans",sans-serif;font-size:12px;
 font-variant-numeric:tabular-nums;display:block;max-width:100%;height:auto}
.k-sheet.k-small-font{font-size:11px}
.k-sheet.k-wide-font{font-size:13px}
.k-sheet text{fill:var(--k-ink)}
.k-sheet .k-tick,.k-sheet .k-small,.k-sheet .k-clock{fill:var(--k-soft)}
.k-sheet .k-head,.k-sheet .k-day,.k-sheet .k-now-word{font-weight:700}
.k-middle{text-anchor:middle}
.k-end-of{text-anchor:end}
.k-ground{fill:var(--k-ground);stroke:var(--k-line)}
.k-grid,.k-hour{fill:none;stroke:var(--k-line);stroke-width:1}
.k-hour.k-day-line{stroke:var(--k-soft)}
.k-band{fill:var(--k-band)}
.k-limit{fill:none;stroke:var(--k-edge);stroke-width:1}
.k-low,.k-high{stroke-dasharray:4 3}
.k-low-low,.k-high-high{stroke-dasharray:1.5 2.5;stroke-width:1.6}
.k-line{fill:none;stroke-width:1.8;stroke-linejoin:round;stroke-linecap:butt}
.k-koji-0,.k-air-0,.k-humidity-0{stroke:var(--k-0);fill:none}
.k-koji-1,.k-air-1,.k-humidity-1{stroke:var(--k-1);stroke-dasharray:7 3;fill:none}
.k-koji-2,.k-air-2,.k-humidity-2{stroke:var(--k-2);stroke-dasharray:2 2.5;fill:none}
.k-koji-3,.k-air-3,.k-humidity-3{stroke:var(--k-3);stroke-dasharray:8 2.5 2 2.5;fill:none}
.k-air-0,.k-humidity-0{stroke:var(--k-2)}
.k-humidity-0{stroke:var(--k-3)}
.k-marker{stroke-width:1.4;stroke-dasharray:none}
.k-marker.k-line{fill:var(--k-ground)}
.k-plate{fill:var(--k-ground);opacity:.72}
.k-reach{fill:none;pointer-events:all}
.k-off{opacity:.4}
.k-off text{text-decoration:line-through}
.k-earlier{stroke:var(--k-earlier);stroke-width:3;opacity:.45;fill:none}
.k-fan{fill:var(--k-fan)}
.k-fan-middle{stroke:var(--k-0);stroke-dasharray:3 4;stroke-width:1.4}
.k-window{fill:var(--k-window)}
.k-due{fill:var(--k-due)}
.k-mark{fill:var(--k-ink);stroke:none}
.k-note,.k-gap,.k-stage,.k-mark.k-window{fill:none;stroke:var(--k-ink);stroke-width:1.5}
.k-alarm.k-tone-wrong,.k-lasting.k-tone-wrong{fill:var(--k-red)}
.k-alarm.k-tone-look,.k-lasting.k-tone-look{fill:var(--k-yellow)}
.k-alarm.k-tone-plain,.k-lasting{fill:var(--k-soft)}
.k-sheet .k-word.k-of-now,.k-sheet .k-word.k-beyond{font-weight:700}
.k-sheet .k-end-word{font-style:italic}
.k-sheet .k-word.k-tone-wrong{fill:var(--k-red);font-weight:700}
.k-sheet .k-word.k-tone-look{fill:var(--k-yellow)}
.k-leader{fill:none;stroke:var(--k-soft);stroke-width:.7}
.k-gap-edge{fill:none;stroke:var(--k-soft);stroke-width:1;stroke-dasharray:1 3}
.k-now{fill:none;stroke:var(--k-ink);stroke-width:1.6}
.k-reading-line{stroke:var(--k-ink);stroke-width:1;stroke-dasharray:3 2;fill:none}
.k-reading-dot{fill:var(--k-ground);stroke:var(--k-ink);stroke-width:2}
.k-select{fill:var(--k-ink);opacity:.15}
"""

CSS: Final = (
    f".k-sheet{{{LIGHT}}}"
    f"@media screen and (prefers-color-scheme:dark){{:root .k-sheet,svg.k-sheet:root{{{DARK}}}}}{RULES}"
)
"""For a page with sheets in it, and for a sheet that stands alone."""


def plain(svg: str) -> str:
    """A sheet that stands alone, in its light colours, for programs that know no custom properties of style sheets."""
    colours = dict(part.split(":") for part in LIGHT.split(";") if part)
    # Such programs take these for attributes of the picture, which then has no height.
    rules = RULES.replace("display:block;max-width:100%;height:auto", "")
    rules = re.sub(r"var\((--k-[a-z0-9]+)\)", lambda found: colours[found[1]], rules)
    return svg.replace(CSS, rules)
