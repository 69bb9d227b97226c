"""Quantities against published mashes, each named beside its check, and the laws that every plan keeps."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.cli.shared.mash import KOJI_LABELS, Kitchen, notes_of, packet, rows_of
from kojimon.mash.facts import ADDITIONS, ALCOHOL_L_KG, DRY_LOSS, GRAINS, MOISTURE, PURPOSES, Fact
from kojimon.mash.plan import Mash, TooFullError, depth_m, plan_mash, strength_pct
from kojimon.mash.solve import ContradictionError, solve
from kojimon.schedule.description import GRAIN

RICE = ("table-rice", "polished-rice")
AMOUNTS = ("all_rice_kg", "koji_rice_kg", "koji_kg", "water_kg", "salt_kg", "beans_kg", "vessel_l")


def mash(purpose: str, grain: str = "polished-rice", **amounts: float) -> Mash:
    return plan_mash(purpose, grain, amounts)


class TestPublishedMashes:
    def test_three_additions_of_an_institute(self) -> None:
        """Saito, Akita Research Institute of Food and Brewing, AK-1 yeast, J. Brew. Soc. Japan 1996: 750 kg of rice,
        150
        of it koji, 1020 L; starter mash and additions 45, 120, 225, 360 kg of rice."""
        got = mash("sake-three", all_rice_kg=750.0, koji_rice_kg=150.0, water_kg=1020.0)
        assert got.beyond == ()
        assert got.amounts["koji_rice_kg"] / got.amounts["all_rice_kg"] == pytest.approx(0.20)
        assert got.amounts["water_kg"] / got.amounts["all_rice_kg"] == pytest.approx(1.36)
        rice = [got.amounts[f"{stage}_rice_kg"] for stage in ADDITIONS]
        assert rice[1:] == pytest.approx([120, 225, 360], rel=0.04)
        low, high = got.ranges["moto_rice_kg"]
        assert low <= 45 <= high
        koji = [got.amounts[f"{stage}_koji_rice_kg"] for stage in ADDITIONS]
        assert koji == pytest.approx([15, 30, 45, 60], rel=0.20)
        assert [k / r * 100 for k, r in zip(koji, rice, strict=True)] == pytest.approx([33.3, 25, 20, 16.7], abs=1.5)

    def test_a_brewery_mash_by_volume(self) -> None:
        """Toujinomichi, 2019: 1000 kg of rice and 1300 L take 2350 L just after the third addition; within 1 %."""
        got = mash("sake-three", "table-rice", all_rice_kg=1000.0)
        assert got.amounts["water_kg"] == pytest.approx(1300)
        assert got.amounts["volume_l"] == pytest.approx(2350, rel=0.01)
        assert got.amounts["mash_kg"] / got.amounts["volume_l"] == pytest.approx(1.12, abs=0.01)

    def test_a_brewery_s_estimate_of_its_sake(self) -> None:
        """Narumi brewery: 1000 kg of rice, 1360 L of water, 2310 L of ripe mash, 1963 L of sake."""
        got = mash("sake", all_rice_kg=1000.0, water_kg=1360.0)
        assert got.amounts["ripe_l"] == pytest.approx(2310, abs=1)
        assert got.amounts["sake_l"] == pytest.approx(1963, abs=1)

    def test_a_home_recipe_in_its_pot(self) -> None:
        """Hoshido 1996: 1.5 kg of rice, 400 g of koji, 2.4 L beside 1.8 L for cooking, in a pot of 10 L, 44 % free."""
        got = mash(
            "sake", "table-rice", koji_kg=0.4, all_rice_kg=1.5 + 0.4 / 1.17, water_kg=4.2 - 0.4 * 1.5, vessel_l=10.0
        )
        assert 1 - got.amounts["volume_l"] / 10 == pytest.approx(0.44, abs=0.03)
        assert {one.of for one in got.beyond} == {"water_kg"}, "thin beside a brewery's"

    def test_the_last_addition_of_a_home_batch(self) -> None:
        """A home brewer's page (lushforest): 20 oz of koji and 5 lb of rice, 20 % by weight: inside what is
        published."""
        koji, rice = 20 / 16 * 0.45359237, 5 * 0.45359237
        assert mash("sake", koji_kg=koji, mash_rice_kg=rice).beyond == ()

    @pytest.mark.parametrize(("salt_kg", "share"), [(5.8, 0.107), (7.2, 0.130)])
    def test_miso_of_a_prefecture(self, salt_kg: float, share: float) -> None:
        """Kagawa Prefecture: 15 kg of rice as 17 kg of koji, 30 kg of cooked beans, 1 kg of water; 10.7 and 13.0 %
        salt."""
        got = mash("miso", "table-rice", koji_rice_kg=15.0, cooked_kg=30.0, water_kg=1.0, salt_kg=salt_kg)
        assert got.amounts["koji_kg"] == pytest.approx(17, abs=0.01)
        assert 13 <= got.amounts["beans_kg"] <= 13.5
        assert salt_kg / got.amounts["product_kg"] == pytest.approx(share, abs=0.001)
        assert got.beyond == ()

    def test_miso_of_a_home_page(self) -> None:
        """A home page (cookpad 1416135): 2.6 kg of cooked beans, 2 kg of koji, 0.4 kg of water, 10 %: 0.5556 kg of
        salt."""
        got = mash("miso", "table-rice", cooked_kg=2.6, koji_kg=2.0, water_kg=0.4, salt_kg=0.5556)
        assert got.amounts["product_kg"] == pytest.approx(5.5556, abs=1e-4)
        usual = mash("miso", "table-rice", cooked_kg=2.6, koji_kg=2.0, water_kg=0.4)
        assert usual.ranges["salt_kg"][0] == pytest.approx(0.5556, abs=1e-4), "10 % is the least of salty miso"

    def test_amazake_of_a_maker(self) -> None:
        """A maker's 1 : 1 : 3: 200 g of koji, 200 g of cooked rice (60 % water), 600 mL."""
        dry = 0.200 * 0.40 / (1 - 0.14)
        got = mash("amazake", "table-rice", koji_kg=0.200, mash_rice_kg=dry, water_kg=0.600 + 0.200 - dry)
        assert got.amounts["product_kg"] == pytest.approx(1.0)
        assert got.beyond == ()

    @pytest.mark.parametrize(
        ("koji", "salt", "water", "share"), [(300, 90, 400, 11.39), (100, 30, 100, 13.04), (200, 60, 300, 10.71)]
    )
    def test_shio_koji(self, koji: float, salt: float, water: float, share: float) -> None:
        """Published: a shop's 300 : 90 : 400, national television's 100 : 30 : 100, a recipe of 200 : 60 : 300."""
        got = mash("shio-koji", "table-rice", koji_kg=koji / 1e3, salt_kg=salt / 1e3, water_kg=water / 1e3)
        assert 100 * got.amounts["salt_kg"] / got.amounts["product_kg"] == pytest.approx(share, abs=0.01)
        assert got.beyond == ()

    def test_the_chain_of_koji(self) -> None:
        """A technologist's note on ginjo koji: 100 white, 129.5 soaked, 141.5 steamed, 117 koji. Kanagawa Prefecture:
        15 g
        of starter on 15 kg. Kagawa Prefecture, table rice: 15 kg of rice, 17 of koji."""
        got = mash("koji", koji_rice_kg=100.0).amounts
        assert [got[f"koji_{name}"] for name in ("soaked_kg", "steamed_kg", "kg")] == pytest.approx([129.5, 141.5, 117])
        table = mash("koji", "table-rice", koji_rice_kg=15.0).amounts
        assert (table["koji_kg"], table["starter_kg"]) == pytest.approx((17, 0.015), abs=0.01)

    def test_strength(self) -> None:
        """1881, Tokyo (Atkinson): 175.1 kan of dry rice at 84 % starch makes 83.6 kan of alcohol at most. An
        importer's page:
        17-20 % at 130 % water. At 76 % starch and 75 % of it fermented: 18.1 %."""
        assert pytest.approx(83.6, abs=0.1) == 175.1 * 0.84 * ALCOHOL_L_KG * 0.7947
        low, high = strength_pct(1.0, 1.3)
        assert low < 18.1 < high
        assert (low, high) == pytest.approx((16.0, 19.6), abs=0.1)

    def test_no_yield_is_promised_where_none_is_published(self) -> None:
        got = mash("koji", "barley", koji_rice_kg=2.0)
        assert set(got.amounts) == {"koji_rice_kg", "starter_kg"}
        bought = mash("miso", "barley", koji_kg=2.0)
        assert "koji_rice_kg" not in bought.amounts
        assert bought.amounts["salt_kg"] > 0
        with pytest.raises(ValueError, match="grows pearled barley"):
            mash("sake", "barley", koji_kg=2.0)


class TestLaws:
    @given(
        purpose=st.sampled_from(sorted(PURPOSES)),
        grain=st.sampled_from(RICE),
        given_=st.dictionaries(st.sampled_from(AMOUNTS), st.floats(0.01, 200), min_size=1, max_size=3),
    )
    def test_mass_is_conserved(self, purpose: str, grain: str, given_: dict[str, float]) -> None:
        """What goes in comes out, whatever is given: dry matter and water of every ingredient, with the assumed dry
        loss. One amount is never refused; several may not go together."""
        try:
            got = mash(purpose, grain, **given_).amounts
        except ValueError:
            assert len(given_) > 1 or not set(given_) <= got_names(purpose)
            return
        assert {name: got[name] for name in given_} == pytest.approx(given_)
        assert all(value >= 0 for value in got.values())
        assert got["koji_dry_kg"] == pytest.approx(got["koji_rice_kg"] * (1 - MOISTURE.usual) * (1 - DRY_LOSS.usual))
        assert got["koji_dry_kg"] + got["koji_water_kg"] == pytest.approx(got["koji_kg"])
        if "mash_kg" in got:
            burnt = got["koji_rice_kg"] * (1 - MOISTURE.usual) * DRY_LOSS.usual
            assert got["dry_kg"] + burnt == pytest.approx(got["all_rice_kg"] * (1 - MOISTURE.usual))
            assert got["dry_kg"] + got["all_water_kg"] == pytest.approx(got["mash_kg"])
            assert got["steamed_kg"] + got["koji_kg"] + got["water_kg"] == pytest.approx(got["mash_kg"])
        if "moto_rice_kg" in got:
            for what, whole in (("rice_kg", "all_rice_kg"), ("koji_rice_kg", "koji_rice_kg"), ("water_kg", "water_kg")):
                assert sum(got[f"{stage}_{what}"] for stage in ADDITIONS) == pytest.approx(got[whole])
        if "product_kg" in got:
            parts = [got.get(part, 0.0) for part in ("cooked_kg", "koji_kg", "water_kg", "salt_kg", "mash_rice_kg")]
            assert sum(parts) == pytest.approx(got["product_kg"])

    @given(
        purpose=st.sampled_from(sorted(set(PURPOSES) - {"koji"})), vessel=st.floats(0.5, 300), koji=st.floats(0.01, 100)
    )
    def test_no_plan_over_a_vessel(self, purpose: str, vessel: float, koji: float) -> None:
        alone = mash(purpose, "table-rice", vessel_l=vessel)
        assert alone.amounts["volume_l"] < vessel
        needed = mash(purpose, "table-rice", koji_kg=koji).amounts["volume_l"]
        if needed > vessel:
            with pytest.raises(TooFullError) as told:
                mash(purpose, "table-rice", koji_kg=koji, vessel_l=vessel)
            assert told.value.volume_l == pytest.approx(needed)
        else:
            assert mash(purpose, "table-rice", koji_kg=koji, vessel_l=vessel).amounts["volume_l"] <= vessel

    @given(amount=st.floats(0.1, 100), purpose=st.sampled_from(["sake", "sake-three", "amazake", "miso", "shio-koji"]))
    def test_from_any_amount_to_the_same_mash(self, amount: float, purpose: str) -> None:
        whole = mash(purpose, "table-rice", koji_kg=amount).amounts
        for name in ("koji_rice_kg", "water_kg", "vessel_l", PURPOSES[purpose].product):
            assert mash(purpose, "table-rice", **{name: whole[name]}).amounts == pytest.approx(whole)

    def test_ranges_hold_what_is_planned(self) -> None:
        for purpose in PURPOSES:
            got = mash(purpose, "table-rice", koji_kg=1.0)
            for name, (low, high) in got.ranges.items():
                assert low - 1e-9 <= got.amounts[name] <= high + 1e-9, (purpose, name)
                assert got.sources[name]

    def test_what_goes_beyond_is_said(self) -> None:
        one = mash("sake", "table-rice", all_rice_kg=2.0, koji_rice_kg=0.298).beyond
        assert [(found.of, round(found.ratio, 3)) for found in one] == [("koji_rice_kg", 0.149)]
        assert mash("sake", "table-rice", all_rice_kg=2.0, koji_rice_kg=0.3).beyond == ()
        full = mash("sake", "table-rice", all_rice_kg=2.0, vessel_l=5.5).beyond
        assert [found.of for found in full] == ["volume_l"]

    def test_what_cannot_be(self) -> None:
        with pytest.raises(ValueError, match="less than nothing"):
            mash("sake", all_rice_kg=1.0, koji_rice_kg=2.0)
        with pytest.raises(ValueError, match="Sake in one addition has no beans"):
            mash("sake", beans_kg=1.0)
        with pytest.raises(ValueError, match="do not go together"):
            mash("koji", koji_rice_kg=1.0, koji_dry_kg=3.0)

    def test_own_yield_and_packet(self) -> None:
        own = plan_mash(
            "koji", "table-rice", {"koji_rice_kg": 2.0}, Fact(0.002, 0.002, 0.002, "packet"), Fact(1.1, 1.2, 1.3, "own")
        )
        assert (own.amounts["koji_kg"], own.amounts["starter_kg"]) == pytest.approx((2.4, 0.004))
        assert own.sources["koji_kg"] == "own" and "starter_kg" not in own.ranges

    def test_a_schedule_names_the_grains_that_are_known(self) -> None:
        assert set(GRAIN) == set(GRAINS)

    def test_depth(self) -> None:
        """Derived: 6 kg of steamed rice are 10 L at 0.6 kg a litre; on two trays of 0.1 m2 they lie 5 cm deep."""
        assert depth_m(6.0, 2, 0.1) == pytest.approx(0.05)


def got_names(purpose: str) -> set[str]:
    return set(mash(purpose, "table-rice", koji_kg=1.0).amounts)


@given(st.dictionaries(st.sampled_from("abcdef"), st.integers(-9, 9), min_size=1), st.randoms(use_true_random=False))
def test_the_solver_finds_what_was_put_in(wanted: dict[str, int], lot: Any) -> None:
    """Equations made from a known answer give it back where they determine it, and never anything else."""
    names = sorted(wanted)
    equations = []
    for _ in names:
        row: dict[str, float] = {name: float(lot.randint(-3, 3)) for name in names}
        row[""] = -sum(row[name] * wanted[name] for name in names)
        equations.append(row)
    found = solve(equations)
    assert found == pytest.approx({name: wanted[name] for name in found}, abs=1e-6)


def test_the_solver_sees_a_contradiction() -> None:
    with pytest.raises(ContradictionError):
        solve([{"a": 1.0, "": -1.0}, {"a": 2.0, "": -3.0}])
    assert solve([{"a": 1.0, "b": -1.0}]) == {}


@pytest.mark.parametrize("salt_kg", [0.42, 0.40, 0.38])
def test_given_salt_sets_the_share_of_salt(salt_kg: float) -> None:
    """A miso shop's kit (koborisanngyou.com): 1 kg of beans, 1 kg of koji, 420 g of salt make about 4 kg."""
    got = mash("miso", "table-rice", beans_kg=1.0, koji_kg=1.0, salt_kg=salt_kg)
    assert got.beyond == ()
    assert got.amounts["water_kg"] == pytest.approx(0.077)
    assert got.amounts["product_kg"] == pytest.approx(3.377 + salt_kg)
    turned = mash("miso", "table-rice", salt_kg=salt_kg, koji_kg=1.0, beans_kg=1.0)
    assert turned.amounts == pytest.approx(got.amounts), "in whatever order they are given"
    more = mash("miso", "table-rice", beans_kg=1.0, koji_kg=1.0, salt_kg=0.8)
    assert [one.of for one in more.beyond] == ["salt_kg"] and more.amounts["water_kg"] == pytest.approx(0.077)


def test_a_refusal_names_what_would_be_less_than_nothing() -> None:
    with pytest.raises(ValueError, match="the rice beside the koji's would be less than nothing"):
        mash("sake", all_rice_kg=1.0, koji_rice_kg=2.0)
    with pytest.raises(ValueError, match="the water in the koji would be less than nothing"):
        mash("koji", koji_rice_kg=2.0, koji_kg=1.0)


def test_a_yield_of_one_s_own_is_not_called_published() -> None:
    own = Fact(1.1, 1.2, 1.3, "your own 3 batches")
    got = plan_mash("koji", "table-rice", {"koji_rice_kg": 2.0}, own=own)
    rows = {row[0]: row[3] for row in rows_of(got, KOJI_LABELS, Kitchen(False, 3, None, 2.0))}
    assert rows["  as fresh koji"] == "2.20 kg to 2.60 kg, your own"
    assert "own" not in rows["  steamed"]


@given(
    st.sampled_from(["sake", "sake-three"]), st.sampled_from(RICE), st.floats(0.2, 500), st.floats(1.0, 2.5)
)
def test_lees_close_to_the_gram(purpose: str, grain: str, rice_kg: float, water: float) -> None:
    """What goes in comes out: gas, sake, lees; and rice, its koji and water of the additions sum to the whole."""
    got = plan_mash(purpose, grain, {"all_rice_kg": rice_kg, "water_kg": rice_kg * water}).amounts
    into = got["steamed_kg"] + got["koji_kg"] + got["water_kg"]
    assert got["gas_kg"] + got["sake_kg"] + got["lees_kg"] == pytest.approx(into, abs=0.0005)
    if purpose == "sake-three":
        for what in ("rice", "koji_rice", "water"):
            parts = sum(got[f"{stage}_{what}_kg"] for stage in ADDITIONS)
            assert parts == pytest.approx(got["all_rice_kg" if what == "rice" else f"{what}_kg"], abs=0.0005)


def test_lees_of_a_brewery_s_estimate() -> None:
    """Narumi brewery and the accounting rule of 1.1 kg a litre: 1000 kg and 1360 L leave 381 kg, 38 %. By mass it is
    more: what steams off cooling rice is not counted. Shops and trials: 20 % pressed hard, 50 % lightly."""
    got = mash("sake", all_rice_kg=1000.0, water_kg=1360.0).amounts
    assert got["lees_kg"] == pytest.approx(381, rel=0.25)
    assert 200 <= got["lees_kg"] <= 500


def test_more_sake_than_the_mash_holds_is_refused() -> None:
    with pytest.raises(ValueError, match="less than nothing"):
        plan_mash("sake", "table-rice", {"sake_l": 50.0, "all_rice_kg": 5.0, "water_kg": 6.0})


@pytest.mark.parametrize(("typed", "grams_a_kg"), [
    ("1/2 oz for 10 lb", 3.125), ("½ oz for 10 lb", 3.125), ("20 g for 15 kg", 1.333), ("1 g/kg", 1.0),
    ("1 g / kg", 1.0), ("1,5 g per kg", 1.5), ("0.5 g to 500 g", 1.0),
])  # fmt: skip
def test_a_dose_may_be_a_fraction(typed: str, grams_a_kg: float) -> None:
    assert packet(typed).usual * 1000 == pytest.approx(grams_a_kg, abs=0.001)


@pytest.mark.parametrize("typed", ["1/2 tsp for 5 lb", "1 teaspoon for 2 kg", "1 tbsp per kg"])
def test_a_spoon_is_no_weight(typed: str) -> None:
    with pytest.raises(ValueError, match="a spoon is no weight"):
        packet(typed)


def said_of(purpose: str, grain: str, **amounts: float) -> str:
    kitchen = Kitchen(False, 2, None, 2.0)
    return " ".join([*(text for text, _ in notes_of(plan_mash(purpose, grain, amounts), grain, kitchen))])


def test_a_strength_no_yeast_makes_is_capped_in_words() -> None:
    """1 L on a kilogram would be 18-25 %; an importer's page and a home guide name 20 % at most."""
    assert "Yeast stops near 20 %: what is over stays sugar." in said_of(
        "sake", "table-rice", all_rice_kg=5.0, water_kg=5.0
    )
    assert "Yeast stops" not in said_of("sake", "table-rice", all_rice_kg=5.0, water_kg=8.0)


def test_soy_sauce_koji_has_its_beans_and_wheat_apart() -> None:
    """A maker's recipe (hirate-shoyu.com): 1350 g of soybeans, 1400 g of wheat."""
    said = said_of("koji", "soybeans-wheat", koji_rice_kg=2.75)
    assert "1.35 kg of soybeans and 1.40 kg of wheat, to roast" in said
