"""What is published about quantities, each with its source. Ratios are mass on mass unless the name says otherwise.

A fact has a usual value and the range that practice covers; `facts` of a purpose are listed softest first: where a
person gives more than one amount, the first fact that stands in the way gives way, and is held against its range.
"""

from __future__ import annotations

from typing import Final

from msgspec import Struct


class Fact(Struct, frozen=True):
    """A published ratio: lowest, usual and highest value, and where they are from."""

    low: float
    usual: float
    high: float
    source: str


class Grain(Struct, frozen=True):
    """What a kilogram of dry grain weighs on its way to koji. None: not published. `parts`: of a mixture, by mass."""

    label: str
    soaked: Fact | None = None
    steamed: Fact | None = None
    koji: Fact | None = None
    parts: tuple[tuple[str, float], ...] = ()


MOISTURE: Final = Fact(0.13, 0.135, 0.15, "Brewing Society of Japan abstract: white rice does best at 13.5 % water; "
                                          "Nada "
                       "sake research group glossary: brown rice 15 % at most, white about 2 points less")  # fmt: skip
DRY_LOSS: Final = Fact(0.02, 0.03, 0.05, "An assumption, nobody has published a measured one: 2.6 % follows from a "
                                         "blog's "
                       "total of heat (100 kcal per kg dry), summing up Brewing Society papers")  # fmt: skip
DRY_DENSITY: Final = 1.5
"""kg/L of dry matter of rice in a mash: from memory; with it a published mash comes out within 1 % (tests/mash)."""
STARTER: Final = Fact(0.0001, 0.001, 0.002, "Kanagawa Prefecture, rice koji: 15 g on 15 kg; textbook on fermented "
                                            "foods "
                      "0.1-0.2 %; a technologist's note on ginjo koji 7-15 g on 100 kg")  # fmt: skip
BULK_KG_L: Final = 0.6
"""Steamed rice lying loose, kg/L: from memory."""
DEPTH_MOST_M: Final = 0.05
"""Mitchell et al. 2006, Solid-State Fermentation Bioreactors: about 5 cm is the limit without forced air."""
TRAY_KG: Final = Fact(0.5, 1.5, 2.5, "Nada sake research group glossary, tray koji method: about 1.5 kg; a "
                                     "brewery's page: "
                      "1.5-2.5 kg; the lower end: judgement")  # fmt: skip
SALT_LEAST_PCT: Final = {"shio-koji": 10.0, "miso": 10.0, "sweet-miso": 5.0}
"""Salt of everything, %, under which it spoils. Shio-koji: a health magazine's page, mainichigahakken.net. Miso: the
least that Kagawa Prefecture names; that less spoils is judgement, a shop's page says that under 11 % it may sour."""

GRAINS: Final = {
    "table-rice": Grain(
        "table rice",
        Fact(1.20, 1.28, 1.30, "cooking pages: table rice takes up 20-30 %; a home brewer's page: 128-130 on 100"),
        Fact(1.30, 1.39, 1.40, "Nada glossary: steaming adds about 10 % of white rice; a home brewer's page: 138-140"),
        Fact(1.10, 1.133, 1.20, "Kagawa Prefecture, miso: 15 kg of rice, 17 kg of koji; a home page: 1.10-1.20 is "
                                "aimed at"),
    ),
    "polished-rice": Grain(
        "polished sake rice",
        Fact(1.28, 1.295, 1.30, "a technologist's note on ginjo koji: 129-130; a blog quoting Koji-gaku: 128-130"),
        Fact(1.38, 1.415, 1.42, "a technologist's note on ginjo koji: 141-142; a home brewer's page: 138-140"),
        Fact(1.17, 1.17, 1.19, "a technologist's note on ginjo koji: 117; a blog quoting Koji-gaku: 117-119"),
    ),
    "barley": Grain("pearled barley"),
    "soybeans-wheat": Grain("soybeans and wheat", parts=(("soybeans", 1350 / 2750), ("wheat, to roast", 1400 / 2750))),
}  # fmt: skip
"""By the `grain` of a schedule. Soybeans and wheat: a maker's recipe (hirate-shoyu.com), 1350 g and 1400 g, dry."""


class Ratio(Struct, frozen=True):
    """`of` is `fact` times `per`: two names of amounts."""

    of: str
    per: str
    fact: Fact


class Purpose(Struct, frozen=True):
    """What koji is for, as ratios and sums.

    Attributes:
        product: the amount that is wanted in the end.
        facts: softest first.
        sums: an amount and what it is made of, name -> share.
        unpublished: what a brewer would look for in vain.
    """

    label: str
    product: str
    facts: tuple[Ratio, ...]
    sums: dict[str, dict[str, float]]
    unpublished: tuple[str, ...] = ()


_SAKE_FILL: Final = Fact(
    0.5, 0.667, 0.75, "from memory: two thirds to three quarters; a home recipe (Hoshido 1996) fills 56 %"
)
_FILL: Final = Fact(0.5, 0.9, 0.95, "judgement: nothing is published")
_SHARE: Final = Fact(0.15, 0.20, 0.25, "National Tax Agency of Japan: 15 % at least for the named classes; an "
                                       "importer's "
                     "page 20 %, exam notes 20-25 %")  # fmt: skip
_WATER: Final = Fact(1.25, 1.30, 1.40, "Nada glossary, water ratio: 125-135 L on 100 kg, ginjo may pass 140; an "
                                       "importer's "
                     "page 130")  # fmt: skip
RIPE: Final = Fact(0.95, 0.95, 0.95, "a brewery's estimate (narumijozoten.com): 0.95 L of a kilogram of rice")
_PRESS: Final = Fact(0.85, 0.85, 0.87, "a brewery's estimate: 85 % of the ripe mash; a shop's figures: 1200 of 1380 mL")
_YEAST: Final = Fact(
    0.0026, 0.0026, 0.007, "home recipes: 5 g of dry yeast on 1.9 kg (Hoshido), 9-10 g on 1.5 kg (two blogs)"
)
GAS: Final = Fact(0.27, 0.30, 0.33, "derived: 72-77 % of the rice is starch, of which yeast finds 70-80 %; of each "
                "gram 0.543 g leave as gas (stoichiometry)")  # fmt: skip
SAKE_KG_L: Final = 0.997
"""kg/L of finished sake: the official sake meter, SG = 1443 / (1443 + SMV), at a market's average of +4."""
YEAST_STOPS_PCT: Final = 20.0
"""No page names more: an importer 17-20 %, a home guide 16-20 %. What sugar is left then stays sugar."""
LEES: Final = Fact(0.20, 0.28, 0.50, "shops and trials: 25-30 % of the rice is usual, 20 pressed hard, 50 lightly")

_KOJI: Final = {"koji_kg": {"koji_dry_kg": 1.0, "koji_water_kg": 1.0}}
_SAKE_SUMS: Final = {
    **_KOJI,
    "all_rice_kg": {"mash_rice_kg": 1.0, "koji_rice_kg": 1.0},
    "steamed_kg": {"steamed_dry_kg": 1.0, "steamed_water_kg": 1.0},
    "mash_kg": {"steamed_kg": 1.0, "koji_kg": 1.0, "water_kg": 1.0},
    "dry_kg": {"steamed_dry_kg": 1.0, "koji_dry_kg": 1.0},
    "all_water_kg": {"water_kg": 1.0, "steamed_water_kg": 1.0, "koji_water_kg": 1.0},
    "volume_l": {"all_water_kg": 1.0, "dry_kg": 1 / DRY_DENSITY},
    "ripe_l": {"ripe_rice_l": 1.0, "water_kg": 1.0},
    "gas_kg": {"all_rice_kg": GAS.usual},
    "sake_kg": {"sake_l": SAKE_KG_L},
    "lees_kg": {"mash_kg": 1.0, "gas_kg": -1.0, "sake_kg": -1.0},
}
_SAKE_FACTS: Final = (
    Ratio("volume_l", "vessel_l", _SAKE_FILL),
    Ratio("koji_rice_kg", "all_rice_kg", _SHARE),
    Ratio("water_kg", "all_rice_kg", _WATER),
    Ratio("sake_l", "ripe_l", _PRESS),
    Ratio("ripe_rice_l", "all_rice_kg", RIPE),
)
_STAGES: Final = (("add1", 1 / 6, 0.25), ("add2", 2 / 6, 0.40), ("add3", 3 / 6, 0.50))
"""Addition, share of what the starter mash leaves, and weight of its koji.

Thirds of a half: a brewer's and an importer's page (kikubijin.co.jp, wismettacsake.com). Koji 25, 20 and 16.7 % of an
addition's rice: Saito, Akita Research Institute of Food and Brewing, J. Brew. Soc. Japan 1996; times 1 : 2 : 3.
"""
_KOJI_WEIGHTS: Final = sum(weight for _, _, weight in _STAGES)
_MOTO: Final = (
    Ratio("moto_rice_kg", "all_rice_kg", Fact(0.05, 0.07, 0.07, "brewers' pages: about 7 %, about 5 % for ginjo; "
                                                                "Saito 1996: 6 %")),
    Ratio("moto_koji_rice_kg", "moto_rice_kg", Fact(0.33, 1 / 3, 0.34, "textbook quoted in a blog: 33 %; Saito "
                                                                       "1996: 33.3 %")),
    Ratio("moto_water_kg", "moto_rice_kg", Fact(1.10, 1.10, 1.11, "a brewer's page: 110 %; Saito 1996: 111 %")),
    Ratio("acid_ml", "moto_water_kg", Fact(6.3, 7.0, 7.0, "a brewer's page: 700 mL of 90-92 % lactic acid on 100 L of "
                                           "starter water; a home guide: 3.8 mL of 88 % in 600 mL")),
)  # fmt: skip


def _additions() -> dict[str, dict[str, float]]:
    sums: dict[str, dict[str, float]] = {}
    for name, share, weight in _STAGES:
        koji = weight / _KOJI_WEIGHTS
        sums[f"{name}_rice_kg"] = {"all_rice_kg": share, "moto_rice_kg": -share}
        sums[f"{name}_koji_rice_kg"] = {"koji_rice_kg": koji, "moto_koji_rice_kg": -koji}
        sums[f"{name}_water_kg"] = {"water_kg": share, "moto_water_kg": -share}
    return sums


ADDITIONS: Final = ("moto", "add1", "add2", "add3")
_AMAZAKE: Final = (
    Ratio("volume_l", "vessel_l", _FILL),
    Ratio("koji_kg", "mash_rice_kg", Fact(1.3, 2.15, 2.3, "a maker's 1 : 1 : 3 of koji, cooked rice and water, 40 % "
                                                          "of cooked rice "
                                          "being dry; four recipes: 1.3-2.3 kg on 1 kg of dry rice")),
    Ratio("water_kg", "mash_rice_kg", Fact(3.0, 7.6, 7.6, "the same recipe, the water of cooking counted; a "
                                                          "farmers' cooperative "
                                           "3.0-3.6, another recipe 5.3")),
)  # fmt: skip
_COOKED: Final = Ratio("cooked_kg", "beans_kg", Fact(2.2, 2.3, 2.6, "Kagawa Prefecture, miso: 13-13.5 kg of beans, "
                                                                    "30 kg cooked; "
                                                     "home pages: 2.4-2.6"))  # fmt: skip


def _miso(label: str, koji: Fact, water: Fact, salt: Fact) -> Purpose:
    facts = (
        Ratio("volume_l", "vessel_l", _FILL), Ratio("salt_kg", "product_kg", salt),
        Ratio("water_kg", "beans_kg", water), Ratio("koji_kg", "beans_kg", koji), _COOKED,
    )  # fmt: skip
    sums = {
        **_KOJI,
        "product_kg": {"cooked_kg": 1.0, "koji_kg": 1.0, "water_kg": 1.0, "salt_kg": 1.0},
        "volume_l": {"product_kg": 1.0},
    }
    return Purpose(label, "product_kg", facts, sums)


PURPOSES: Final = {
    "koji": Purpose("Koji", "koji_kg", (), _KOJI),
    "sake": Purpose(
        "Sake in one addition", "sake_l", (*_SAKE_FACTS, Ratio("yeast_kg", "all_rice_kg", _YEAST)), _SAKE_SUMS,
        ("lactic acid for one addition (one home recipe takes 5 g of citric acid to 2.4 L of water)",
         "how much a home press leaves in the lees"),
    ),
    "sake-three": Purpose(
        "Sake in three additions", "sake_l", (*_SAKE_FACTS, *_MOTO), {**_SAKE_SUMS, **_additions()},
        ("dry yeast for a starter mash: go by its packet", "how much a home press leaves in the lees"),
    ),
    "amazake": Purpose(
        "Amazake", "product_kg", _AMAZAKE,
        {**_KOJI, "all_rice_kg": {"mash_rice_kg": 1.0, "koji_rice_kg": 1.0},
         "product_kg": {"mash_rice_kg": 1.0, "koji_kg": 1.0, "water_kg": 1.0}, "volume_l": {"product_kg": 1.0}},
    ),
    "miso": _miso(
        "Salty miso",
        Fact(0.6, 1.3, 2.2, "Kagawa Prefecture: 17 kg of koji to 30 kg of cooked beans; a page of many kinds: "
                            "0.6-2.2 on dry beans"),
        Fact(0.0, 0.077, 0.4, "Kagawa Prefecture: 1 kg to 30 kg of cooked beans; a home recipe 0.4 on dry beans"),
        Fact(0.10, 0.12, 0.13, "of the finished miso, Kagawa Prefecture: 10-13 %"),
    ),
    "sweet-miso": _miso(
        "Sweet miso",
        Fact(1.5, 2.6, 2.61, "Kagawa Prefecture: 17 kg of koji to 15 kg of cooked beans; a cooking page: 1.5-2.0 on "
                             "dry beans"),
        Fact(0.0, 0.307, 0.4, "Kagawa Prefecture: 2 kg to 15 kg of cooked beans"),
        Fact(0.05, 0.06, 0.07, "of the finished miso: Kagawa Prefecture 5-6 %, a cooking page 5-7 %"),
    ),
    "shio-koji": Purpose(
        "Shio-koji", "product_kg",
        (Ratio("volume_l", "vessel_l", _FILL),
         Ratio("water_kg", "koji_kg", Fact(1.0, 1.0, 1.5, "a recipe of national television 100 : 30 : 100, others "
                                                          "to 400 on 300; dried koji 1.5")),
         Ratio("salt_kg", "koji_kg", Fact(0.30, 0.30, 0.35, "seven recipes: 30-35 % of the koji"))),
        {**_KOJI, "product_kg": {"koji_kg": 1.0, "salt_kg": 1.0, "water_kg": 1.0}, "volume_l": {"product_kg": 1.0}},
    ),
}  # fmt: skip
"""By the name that `kojimon plan --for` takes."""

STARCH: Final = Fact(
    0.72,
    0.74,
    0.769,
    "table rice 72 % (derived, 1881: 84 % of dry); a brewery's table: 76.3-76.9 % of rice polished to 60 %",
)
FERMENTED: Final = Fact(0.70, 0.75, 0.80, "share of the starch found again as alcohol in mash and lees: derived "
                                          "from makers' yields; "
                        "gives an importer's 17-20 % at 130 % water")  # fmt: skip
ALCOHOL_L_KG: Final = 0.7150
"""Litres of pure alcohol from 1 kg of starch: x 1.1111 glucose, x 0.5114 ethanol (stoichiometry), / 0.7947 kg/L."""


class Kept(Struct, frozen=True):
    """How koji is kept, how many days it is at its best, and who says so."""

    label: str
    days: int
    source: str


KEPT: Final = {
    "fridge": Kept("in the fridge, bag open until cold", 14, "koji shops: 1 week to 1 month, one of them 2 weeks"),
    "freezer": Kept("in the freezer", 90, "a gas company's cooking page and koji shops: about 3 months"),
    "room": Kept("in a cool room", 2, "a koji shop: 2-3 days in summer, 7-10 in an unheated winter room"),
    "salted": Kept("mixed with salt, for miso", 7, "pages name 7 days to 4 months; the least of them: judgement"),
    "dried": Kept("dried to 10 % water or less", 180, "Brewing Society of Japan: 6 months at 30 °C, 12 at 15 °C"),
}
"""Days of best quality, nothing about safety; no institute has published any for fresh koji."""
