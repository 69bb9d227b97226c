"""What `kojimon plan` says about quantities: a table that fits a kitchen, and a few sentences."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from msgspec import Struct

from kojimon.cli.shared import screen
from kojimon.mash.facts import (
    ADDITIONS,
    DEPTH_MOST_M,
    GRAINS,
    LEES,
    PURPOSES,
    SALT_LEAST_PCT,
    TRAY_KG,
    YEAST_STOPS_PCT,
    Fact,
)
from kojimon.mash.plan import ROUNDED, Beyond, Mash, depth_m, strength_pct
from kojimon.typed import tidy
from kojimon.units import KG_PER_LB, parse_mass_kg, show_count, show_temperature, show_volume, show_weight

LABELS = {
    "all_rice_kg": "Dry rice in all",
    "mash_rice_kg": "  of it to cook",
    "koji_rice_kg": "  of it for the koji",
    "beans_kg": "Soybeans, dry",
    "cooked_kg": "Soybeans, cooked",
    "steamed_kg": "Rice, steamed",
    "koji_kg": "Koji, fresh",
    "water_kg": "Water to pour in",
    "salt_kg": "Salt",
    "yeast_kg": "Dry yeast",
    "acid_ml": "Lactic acid, 88-92 %",
    "sake_l": "Sake, pressed",
    "product_kg": "It makes",
    "vessel_l": "Vessel",
}
"""Rows of the mash, in order."""
KOJI_LABELS = {
    "koji_rice_kg": "Dry grain",
    "koji_soaked_kg": "  soaked, drained",
    "koji_steamed_kg": "  steamed",
    "koji_kg": "  as fresh koji",
    "starter_kg": "Starter (spores)",
}
ALONE = {
    "koji_rice_kg": "Rice for the koji",
    "mash_rice_kg": "Rice to cook",
    "koji_kg": "Koji, fresh",
    "koji_soaked_kg": "Koji rice, soaked",
    "koji_steamed_kg": "Koji rice, steamed",
    "moto_rice_kg": "Starter mash, rice",
    "moto_koji_rice_kg": "Starter mash, rice for its koji",
    "moto_water_kg": "Starter mash, water",
    "ripe_rice_l": "Ripe mash",
    "ripe_l": "Ripe mash",
    "volume_l": "The mash",
}
"""What has no row of its own, or another name in it."""
STAGES = dict(zip(ADDITIONS, (("starter mash", 0), ("day 1", 12), ("day 3", 10), ("day 4", 8)), strict=True))
"""Days and °C of the additions: an importer's page (wismettacsake.com, main mash); day 2 is the day of rest."""
SALT_SAID = {"shio-koji": "10.7-14.3", "miso": "10-13", "sweet-miso": "5-7"}
"""Shio-koji: seven recipes. Miso: Kagawa Prefecture; a cooking page for the sweet one."""
CONVERSION = re.compile(r"(.+?)\s*(?:for|to|per|on|=|:|(?<!\d)/)\s*(\d.*|kg)", re.IGNORECASE)
SPOON = re.compile(r"tsp|tbsp|spoon|cup|pinch", re.IGNORECASE)


class Kitchen(Struct, frozen=True):
    """What the person reads and has: `trays` of the box, `area_m2` of one (None: not said), the box's usual rice."""

    pounds: bool
    trays: int
    area_m2: float | None
    usual_rice_kg: float
    fahrenheit: bool = False


def packet(text: str) -> Fact:
    """The dose on a packet, `20 g for 15 kg` or `1 g per kg`. Raises ValueError."""
    match = CONVERSION.fullmatch(text.strip())
    if SPOON.search(text):
        raise ValueError("a spoon is no weight, and starters differ: weigh one, and give it as in '3 g for 5 lb'")
    if match is None:
        raise ValueError(f"--packet {text!r}: expected what it says, as in '20 g for 15 kg' or '1 g per kg'")
    grain_kg = parse_mass_kg("1 kg" if match[2] == "kg" else tidy(match[2]))
    if not grain_kg:
        raise ValueError(f"--packet {text!r}: expected a weight of grain over 0, as in '20 g for 15 kg'")
    dose = parse_mass_kg(tidy(match[1])) / grain_kg
    if not 0 < dose <= 0.05:
        raise ValueError(f"--packet {text!r}: expected starter over 0, and 50 g on a kilogram of dry grain at most")
    return Fact(dose, dose, dose, "the packet")


def print_mash(mash: Mash, grain: str, kitchen: Kitchen) -> None:
    """All of it."""
    what = PURPOSES[mash.purpose]
    if mash.purpose != "koji":
        screen.say(f"{what.label}: {show(what.product, mash.amounts[what.product], kitchen.pounds)}", "head")
        _rows(mash, LABELS, kitchen)
        _stages(mash, kitchen)
        for text, tone in _mash_notes(mash, kitchen):
            screen.say(text, tone)
        screen.heading("The koji for it")
    else:
        screen.say(f"Koji of {GRAINS[grain].label}", "head")
        for one in mash.beyond:
            screen.say(_beyond(one), "look")
    _rows(mash, KOJI_LABELS, kitchen)
    for text, tone in _koji_notes(mash, grain, kitchen):
        screen.say(text, tone)


def notes_of(mash: Mash, grain: str, kitchen: Kitchen) -> list[tuple[str, str]]:
    """What is to be said beside the tables: sentences and their tones."""
    found = [] if mash.purpose == "koji" else list(_mash_notes(mash, kitchen))
    return [*found, *_koji_notes(mash, grain, kitchen)]


def warnings(mash: Mash, grain: str, kitchen: Kitchen) -> list[str]:
    """The sentences that want to be seen: for the page on the wall."""
    beyond = [_beyond(one) for one in mash.beyond] if mash.purpose == "koji" else []
    return beyond + [text for text, tone in notes_of(mash, grain, kitchen) if tone == "look"]


def show(name: str, amount: float, pounds: bool) -> str:
    """An amount for a person, in the unit that its name says."""
    if name.endswith("_ml"):
        return f"{amount:.1f} mL"
    if name.endswith("_l") or name == "water_kg":
        return show_volume(amount, pounds)
    return show_weight(amount, pounds)


def print_sources(mash: Mash) -> None:
    """Where each range is from."""
    screen.heading("Where the ranges are from")
    for name, source in mash.sources.items():
        screen.say(f"{({**KOJI_LABELS, **LABELS, **ALONE})[name].strip()}: {source}.", "quiet")


def rows_of(mash: Mash, labels: Mapping[str, str], kitchen: Kitchen) -> list[tuple[str, str, str, str]]:
    """Label, amount, metric amount and published range of each row."""
    rows = []
    for name, label in labels.items():
        if name not in mash.amounts:
            if labels is KOJI_LABELS:
                rows.append((label, "not published", "", ""))
            continue
        if name == "koji_rice_kg" and labels is LABELS and "all_rice_kg" not in mash.amounts:
            continue
        low, high = mash.ranges.get(name, (0.0, 0.0))
        ends = show(name, low, kitchen.pounds), show(name, high, kitchen.pounds)
        between = " to ".join(ends) if ends[0] != ends[1] else ""
        if between and mash.sources[name].startswith("your own"):
            between += ", your own"
        amount = show(name, mash.amounts[name], kitchen.pounds)
        metric = show(name, mash.amounts[name], False)
        rows.append((label, amount, metric if metric != amount else "", between))
    return rows


def _rows(mash: Mash, labels: Mapping[str, str], kitchen: Kitchen) -> None:
    rows = rows_of(mash, labels, kitchen)
    columns = ("", ">amount", ">metric", "published range")
    kept = [number for number in range(4) if number != 2 or any(row[2] for row in rows)]
    screen.table([columns[number] for number in kept], [[row[number] for number in kept] for row in rows])


STAGE_COLUMNS = ("", "rice to steam", "fresh koji", "water")


def stage_rows(mash: Mash, kitchen: Kitchen) -> list[list[str]]:
    """When, rice, koji and water of each addition; none where all goes in at once."""
    rows: list[list[str]] = []
    if "moto_rice_kg" not in mash.amounts:
        return rows
    for stage, (day, at_c) in STAGES.items():
        when = f"{day}, at {show_temperature(at_c, kitchen.fahrenheit, 0)}" if at_c else day
        rice, koji = mash.amounts[f"{stage}_rice_kg"], mash.amounts[f"{stage}_koji_rice_kg"]
        fresh = koji * mash.amounts["koji_kg"] / mash.amounts["koji_rice_kg"]
        cells = [("rice_kg", rice - koji), ("koji_kg", fresh), ("water_kg", mash.amounts[f"{stage}_water_kg"])]
        rows.append([when, *(show(name, amount, kitchen.pounds) for name, amount in cells)])
    return rows


def _stages(mash: Mash, kitchen: Kitchen) -> None:
    if not (rows := stage_rows(mash, kitchen)):
        return
    screen.heading("Addition by addition (rice weighed dry)")
    screen.table(("", *(f">{column}" for column in STAGE_COLUMNS[1:])), rows)
    screen.say(
        "Starter mash: all of the acid, yeast by its packet, ripe on day 11-12. Day 2 of the mash is for rest.", "quiet"
    )


def _mash_notes(mash: Mash, kitchen: Kitchen) -> Iterator[tuple[str, str]]:
    yield from ((_beyond(one), "look") for one in mash.beyond if one.of != "volume_l" or one.ratio > one.fact.high)
    amounts, pounds = mash.amounts, kitchen.pounds
    parts = [
        name
        for name in ("mash_rice_kg", "cooked_kg", "steamed_kg", "koji_kg", "water_kg", "salt_kg")
        if name in amounts
    ]
    if "steamed_kg" in parts:
        parts.remove("mash_rice_kg")
    total = sum(amounts[name] for name in parts)
    weighed = " + ".join(f"{show_weight(amounts[name], pounds)} {_noun(name)}" for name in parts)
    yield f"Check: {weighed} = {show_weight(total, pounds)}.", "plain"
    if "all_water_kg" in amounts:
        wet = show_weight(amounts["steamed_water_kg"], pounds), show_weight(amounts["koji_water_kg"], pounds)
        yield (f"Of that {show_weight(amounts['dry_kg'], pounds)} is dry. The steamed rice brings {wet[0]} of water "
               f"with it, "
               f"the koji {wet[1]}: do not count them twice."), "plain"  # fmt: skip
    yield f"The vessel is {amounts['volume_l'] / amounts['vessel_l'] * 100:.0f} % full.", "plain"
    if amounts["volume_l"] == amounts.get("product_kg"):
        cooked = " Water is all of it, that of cooking the rice too." if mash.purpose == "amazake" else ""
        yield f"A litre of it is taken to weigh a kilogram.{cooked}", "plain"
    if "moto_rice_kg" in amounts:
        yield ("The koji for the three additions is needed about two weeks after that for the starter mash: keep it "
               "cold or frozen, or make it in a second batch."), "look"  # fmt: skip
    if "salt_kg" in amounts:
        yield _salt(mash)
    if "sake_l" in amounts:
        yield from _sake_notes(mash, pounds)
    if missing := PURPOSES[mash.purpose].unpublished:
        yield "Not published: " + "; ".join(missing) + ".", "quiet"


def _salt(mash: Mash) -> tuple[str, str]:
    share = 100 * mash.amounts["salt_kg"] / mash.amounts["product_kg"]
    told = f"Salt is {share:.1f} % of everything; recipes have {SALT_SAID[mash.purpose]} %."
    least = SALT_LEAST_PCT[mash.purpose]
    if share >= least * (1 - ROUNDED):
        return told, "plain"
    return f"{told} Under {least:.0f} % it spoils: that is below all that is published for keeping.", "look"


def _sake_notes(mash: Mash, pounds: bool) -> Iterator[tuple[str, str]]:
    rice = mash.amounts["all_rice_kg"]
    low, high = strength_pct(rice, mash.amounts["water_kg"])
    cap = f" Yeast stops near {YEAST_STOPS_PCT:.0f} %: what is over stays sugar." if high > YEAST_STOPS_PCT else ""
    yield (f"Strength: {low:.0f}-{high:.0f} % at most, if yeast finds 70-80 % of the starch and the rice is 72-77 % "
           f"starch.{cap} Importers name 17-20 %; a mash that stops early has less."), "plain"  # fmt: skip
    gas, sake, lees = (show_weight(mash.amounts[name], pounds) for name in ("gas_kg", "sake_kg", "lees_kg"))
    share = mash.amounts["lees_kg"] / rice
    press = ""
    if not LEES.low <= share <= LEES.high:
        side = "More" if share > LEES.high else "Less"
        press = f" {side} than the published {LEES.low * 100:.0f}-{LEES.high * 100:.0f} %: your press will differ."
    yield (f"Out of it come {gas} of gas, {sake} of sake and {lees} of lees, as much as went in. The sake is 85 % of "
           f"the ripe mash, as in a brewery's press; the lees are {share * 100:.0f} % of the rice.{press}"
           ), "look" if press else "plain"  # fmt: skip
    yield "Whether you may brew it, and how much: your local law decides.", "look"


def _noun(name: str) -> str:
    return {"mash_rice_kg": "dry rice", "cooked_kg": "beans", "steamed_kg": "steamed rice"}.get(
        name, name.removesuffix("_kg")
    )


def _beyond(one: Beyond) -> str:
    of, per = (LABELS.get(name, name).strip().lower() for name in (one.of, one.per))
    of = {"koji_rice_kg": "rice for the koji", "volume_l": "the mash", "water_kg": "water"}.get(one.of, of)
    of = "the koji" if one.of == "koji_kg" else of
    per = {"koji_kg": "the koji", "all_rice_kg": "the dry rice", "vessel_l": "the vessel", "product_kg": "everything",
           "koji_rice_kg": "its dry rice", "beans_kg": "the dry beans",
           "mash_rice_kg": "the rice to cook"}.get(one.per, per)  # fmt: skip
    side = "less than" if one.ratio < one.fact.low else "more than"
    pct = one.ratio * 100
    said = f"{of} is {f'{pct:.0f}' if pct >= 100 else f'{pct:.3g}'} % of {per}"
    between = f"{one.fact.low * 100:.3g}-{one.fact.high * 100:.3g} %"
    return f"Beyond what is published: {said}, {side} {between} ({one.fact.source})."


def _koji_notes(mash: Mash, grain: str, kitchen: Kitchen) -> Iterator[tuple[str, str]]:
    amounts, pounds = mash.amounts, kitchen.pounds
    doses = mash.ranges.get("starter_kg")
    yield ("Starter: as its packet says." if doses is None else
           "Starter: what its packet says counts more; give it with --packet '20 g for 15 kg'."), "quiet"  # fmt: skip
    if (parts := GRAINS[grain].parts) and "koji_rice_kg" in amounts:
        each = [f"{show_weight(amounts['koji_rice_kg'] * share, pounds)} of {name}" for name, share in parts]
        split = " and ".join(each)
        yield f"Of the dry grain {split}: half and half, as a maker has it.", "plain"
    if "koji_rice_kg" not in amounts:
        yield f"What {GRAINS[grain].label} weighs soaked, steamed and as koji is not published: weigh yours.", "look"
        return
    rice = amounts["koji_rice_kg"]
    yield from _trays(rice, amounts.get("koji_steamed_kg"), kitchen)
    usual = kitchen.usual_rice_kg
    if usual > rice * 1.02 and "koji_kg" in amounts and mash.purpose != "koji":
        left = (usual - rice) * amounts["koji_kg"] / rice
        yield (
            (
                f"Your box's usual {show_weight(usual, pounds)} of rice would leave {show_weight(left, pounds)} of "
                f"koji over."
            ),
            "plain",
        )
    elif 0 < usual < rice / 1.02:
        yield (
            f"That is more than your box's usual {show_weight(usual, pounds)} of rice: {-(-rice // usual):.0f} "
            f"batches.",
            "look",
        )


def _trays(rice_kg: float, steamed_kg: float | None, kitchen: Kitchen) -> Iterator[tuple[str, str]]:
    each = rice_kg / kitchen.trays
    where = "the tray" if kitchen.trays == 1 else f"each of {kitchen.trays} trays"
    said = f"{show_weight(each, kitchen.pounds)} of dry grain in {where}"
    heavy, few = each > TRAY_KG.high, max(1, round(rice_kg / TRAY_KG.usual))
    usual = f"{TRAY_KG.usual / KG_PER_LB:.1f} lb" if kitchen.pounds else f"{TRAY_KG.usual:.1f} kg"
    more = ", and nobody published more than 2.5 kg (5.5 lb)" if heavy else ""
    fewer = f": thin rice dries out, take {few}" if each < TRAY_KG.low and few < kitchen.trays else ""
    yield f"{said}; about {usual} is usual{more}{fewer}.", "look" if heavy or fewer else "plain"
    trays = few if fewer else kitchen.trays
    if kitchen.area_m2 is None or steamed_kg is None:
        yield "Depth: give the inside of a tray, as in --tray '12 x 16 in'. No deeper than 5 cm (2 in).", "quiet"
        return
    deep = depth_m(steamed_kg, trays, kitchen.area_m2)
    shown = f"{deep / 0.0254:.1f} in" if kitchen.pounds else f"{deep * 100:.1f} cm"
    need = -(-deep * trays // DEPTH_MOST_M)
    yield (f"In {show_count(trays, 'tray', 'trays')} it lies {shown} deep, steamed (at 0.6 kg a litre)."
           + (f" More than 5 cm (2 in) chokes in the middle: take {need:.0f} trays." if deep > DEPTH_MOST_M else "")), (
        "look" if deep > DEPTH_MOST_M else "plain")  # fmt: skip
