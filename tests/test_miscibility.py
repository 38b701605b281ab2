"""What dissolves what: common practice and pharmacopoeias, and the arithmetic behind a verdict."""

from dataclasses import replace

import numpy as np
import pytest

from hspkit import Oil, dissolve, ethanol_strength_to_clear, oil, phases, solubility
from hspkit.carriers import Blend, carrier
from hspkit.data import read_table
from hspkit.errors import InputError, UnknownNameError
from hspkit.miscibility import (
    HAZE_VOLUME,
    THEORY_SD_LN,
    Mixture,
    carrier_substances,
    check_celsius,
    check_parts,
    interaction_radius,
    oil_members,
)
from hspkit.miscibility.extent import haze_edge
from hspkit.miscibility.solids import may_crystallise, reason_unknown
from hspkit.mixture import stock_of
from hspkit.substances import substance
from hspkit.substances.shipped import reconciled


@pytest.mark.parametrize("carrier", ["triethyl citrate", "triacetin", "benzyl alcohol", "MCT"])
@pytest.mark.parametrize("name", ["sweet orange, cold-pressed", "lemon, cold-pressed"])
def test_citrus_oils_dissolve(name, carrier):
    # common practice, no source; for triacetin it says "clear or slightly hazy" while measured activities of alkanes
    # in it put the limit below this ratio, so there an undecided answer is the most that can be asked
    found = dissolve(name, carrier, oil_parts=1, carrier_parts=2)
    assert found.verdict in ("clear", "hazy") or (carrier == "triacetin" and found.undecided)


@pytest.mark.parametrize("carrier", ["propylene glycol", "glycerol", "1,3-propanediol", "water"])
def test_citrus_oils_split(carrier):
    # common practice, no source; limonene with propylene glycol: Sevgili et al. 2008 (two liquids at 298 K)
    # without the wax of the peel, which clouds before it
    outcome = dissolve(oil("sweet orange, cold-pressed").without_wax(), carrier)
    assert outcome.verdict == "splits"
    assert outcome.limiting_components[0] == "limonene"


def test_probabilities_sum_to_one_and_repeat():
    first = dissolve("limonene", "diacetin", random_state=3)
    assert first.p_clear + first.p_hazy + first.p_splits == pytest.approx(1)
    assert dissolve("limonene", "diacetin", random_state=3).p_clear == first.p_clear
    generator = np.random.default_rng(3)
    assert dissolve("limonene", "diacetin", random_state=generator).p_clear == first.p_clear


@pytest.mark.parametrize("name", ["sweet orange, cold-pressed", "peppermint, steam-distilled", "clove, bud"])
@pytest.mark.parametrize("liquid", ["propylene glycol", "diacetin", "triethyl citrate"])
def test_probability_agrees_with_counting_draws(name, liquid):
    subject, other = oil(name), carrier(liquid)
    mixture = Mixture.of([(1 / 3, *oil_members(subject)), (2 / 3, carrier_substances(other), other.fractions)])
    rng = np.random.default_rng(1)
    n = len(mixture.names)
    root = np.linalg.cholesky(mixture.covariance + 1e-9 * np.eye(3))
    hsp = np.clip(mixture.hsp + np.einsum("nij,dnj->dni", root, rng.standard_normal((1000, n, 3))), 0, None)
    volumes = mixture.volumes + mixture.volume_sd * rng.standard_normal((1000, n))
    index = phases.binodal_index(mixture.fractions, volumes, hsp, sites=mixture.sites)
    counted = np.mean(np.log(index) + THEORY_SD_LN * rng.standard_normal(1000) < 0)
    assert dissolve(subject, other).p_clear == pytest.approx(counted, abs=0.06)


def test_a_substance_on_both_sides_is_counted_once():
    alone = Mixture.of([(0.3, [substance("limonene")], np.ones(1)), (0.7, [substance("limonene")], np.ones(1))])
    assert alone.names == ("limonene",)
    assert alone.fractions == pytest.approx([1.0])
    assert dissolve("benzyl alcohol", "benzyl alcohol").verdict == "clear"


def test_cloud_points_are_on_the_edge():
    outcome = dissolve("limonene", "benzyl alcohol")
    share = outcome.water_tolerance_percent / 100
    names = ["limonene", "benzyl alcohol", "water"]
    members = [substance(name) for name in names]
    volumes, hsp = [m.volume for m in members], [m.hsp.array for m in members]
    sites = phases.Sites.joined([m.sites for m in members])

    def clear(water):
        return bool(phases.stable([(1 - water) / 3, (1 - water) * 2 / 3, water], volumes, hsp, sites=sites))

    assert clear(share - 0.002)
    assert not clear(share + 0.002)


def test_more_terpenes_need_stronger_alcohol():
    # Alcohol tests of the trade: terpene-poor oils dissolve in weaker alcohol than the oils they come from.
    # common practice, no source
    whole = oil("lemon, cold-pressed")
    assert ethanol_strength_to_clear(whole.without_terpenes(0.95), volumes=5) < ethanol_strength_to_clear(
        whole, volumes=5
    )


def test_the_strength_found_is_where_it_clears():
    strength = ethanol_strength_to_clear("linalool", volumes=4)
    assert 30 < strength < 90
    for shift, verdict in ((0.5, True), (-0.5, False)):
        spirit = f"ethanol {strength + shift:.4f} % vol"
        found = dissolve("linalool", spirit, oil_parts=1, carrier_parts=4, celsius=20.0)
        assert (found.second_phase_percent == 0) is verdict


def test_a_blend_stands_between_its_carriers():
    ends = [dissolve("sweet orange, cold-pressed", name).spinodal_index for name in ("triacetin", "propylene glycol")]
    blend = Blend({"triacetin": 0.5, "propylene glycol": 0.5}, basis="volume")
    middle = dissolve("sweet orange, cold-pressed", blend).spinodal_index
    assert min(ends) < middle < max(ends)


def test_haze_is_a_small_second_phase():
    assert 0 < HAZE_VOLUME < 0.1


@pytest.mark.parametrize("parts", [{"oil_parts": 0}, {"carrier_parts": -1}, {"oil_parts": "a"}])
def test_parts_are_checked(parts):
    with pytest.raises(InputError, match="parts by volume"):
        dissolve("limonene", "triacetin", **parts)


def test_a_syrup_cannot_be_asked():
    with pytest.raises(InputError, match="no single molecule"):
        dissolve("limonene", "invert syrup")


def test_unknown_names():
    with pytest.raises(UnknownNameError):
        dissolve("limonen oil of the moon", "triacetin")
    with pytest.raises(InputError, match="draws"):
        dissolve("limonene", "triacetin", draws=0)


@pytest.mark.parametrize("name", ["dipropylene glycol", "diethylene glycol", "triethyl phosphate"])
def test_an_answer_about_what_nobody_may_drink_says_so(name):
    # Look-alikes of propylene glycol, glycerol and triethyl citrate; diethylene glycol: FDA guidance on testing for it.
    assert "NOT FOR INGESTION" in dissolve("limonene", name).sentence()
    assert "Caution" not in dissolve("limonene", "triacetin").sentence()


# --- arithmetic, by hand and by counting ---

PG = "propylene glycol"
HALF_MCT = Blend({PG: 0.5, "MCT": 0.5}, basis="volume")


def test_parts_and_temperatures_at_the_ends_of_their_ranges():
    assert check_celsius(-60) == -60.0
    assert check_celsius(250.0) == 250.0
    assert check_parts(1e6, "2") == (1e6, 2.0)
    for wrong in (-60.01, 250.01, float("nan"), None, "warm"):
        with pytest.raises(InputError, match="expected a temperature in degC from -60 to 250"):
            check_celsius(wrong)
    for wrong in (0, 1.01e6, None, float("nan")):
        with pytest.raises(InputError, match="carrier_parts"):
            check_parts(1, wrong)


def test_a_stock_is_mixed_by_volume():
    """2 parts of oil, 3 of aqueous ethanol and 1 of water."""
    stock = stock_of(oil("limonene"), carrier("ethanol 70 % vol"), 2, 3, 1)
    share = carrier("ethanol 70 % vol").fractions  # of ethanol and water before they contract
    found = dict(zip(stock.names, stock.fractions, strict=True))
    assert found["limonene"] == pytest.approx(2 / 6)
    assert found["ethanol"] == pytest.approx(share[0] * 3 / 6)
    assert found["water"] == pytest.approx((share[1] * 3 + 1) / 6)
    assert stock.shares[0] == pytest.approx(2 / 6)
    for liquid, names in zip(stock.liquids, ({"limonene"}, {"ethanol", "water"}, {"water"}), strict=True):
        assert {name for name, part in zip(stock.names, liquid, strict=True) if part > 0} == names
        assert liquid.sum() == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("name", "liquid", "parts"),
    [
        ("limonene", PG, (1, 2)),
        ("limonene", PG, (0.02, 1)),
        ("limonene", PG, (100, 1)),
        ("linalool", HALF_MCT, (4, 1)),
        ("clove, bud", PG, (1, 4)),
        ("linalool", "water", (50, 1)),
        ("clove, bud", "ethanol", (1, 9)),
    ],
)
def test_every_limit_is_where_it_clouds(name, liquid, parts):
    """Clear on one side of each limit and not on the other, by the verdict on mixtures made by hand."""
    found = dissolve(name, liquid, oil_parts=parts[0], carrier_parts=parts[1])
    stock = stock_of(oil(name), carrier(liquid), *parts)

    def clear(fractions):
        return bool(phases.stable(fractions, stock.volumes, stock.hsp, sites=stock.sites))

    low, high = found.least_oil_percent / 100, found.max_oil_percent / 100
    step = 2e-4
    for share, inside, outside in ((low, step, -step), (high, -step, step)):
        if 0 < share < 1:
            for move, verdict in ((inside, True), (outside, False)):
                assert clear((share + move) * stock.liquids[0] + (1 - share - move) * stock.liquids[1]) is verdict
    own = parts[0] / sum(parts)
    assert (low <= own <= high) is (found.verdict == "clear") is clear(stock.fractions)
    water = found.water_tolerance_percent / 100
    if found.verdict == "clear":
        assert 0 < water < 1
        assert clear((1 - water + step) * stock.fractions + (water - step) * stock.liquids[2])
        assert not clear((1 - water - step) * stock.fractions + (water + step) * stock.liquids[2])
    else:
        assert water == 0
    # what limits is the oil in the drop that separates just beyond, strongest first; no more than three of them
    at = high if high < 1 else water
    edge = high * stock.liquids[0] + (1 - high) * stock.liquids[1]
    if high == 1:
        edge = (1 - at) * stock.fractions + at * stock.liquids[2]
    added = stock.liquids[0] if high < 1 else stock.liquids[2]
    beyond = edge + 2e-4 * (added - edge)
    drop = phases.split(beyond, stock.volumes, stock.hsp, sites=stock.sites).fractions[1]
    gain = np.where(stock.liquids[0] > 0, np.clip(drop - beyond, 0, None), 0.0)
    order = [stock.names[i] for i in np.argsort(-gain)[:3] if gain[i] > 0.1 * gain.sum()]
    # nothing of the oil gathers in a drop of water: then it is what the oil itself is held by
    assert list(found.limiting_components) == (order if gain.sum() > 0 else [name])


def test_haze_ends_where_the_second_phase_is_two_percent():
    """By raising the interaction: the edge is between the strengths at which the second phase is less and more."""
    for name, liquid, parts in (
        ("clove, bud", PG, (1, 4)),
        ("limonene", "triacetin", (1, 3)),
        ("limonene", PG, (1, 99)),
    ):
        stock = stock_of(oil(name), carrier(liquid), *parts).present
        scene = phases.StabilityAnalysis.of(stock.fractions, stock.volumes, stock.hsp, sites=stock.sites)
        edge = haze_edge(scene)
        assert edge >= 1.0
        if np.isfinite(edge):
            around = scene.split(np.array([0.97, 1.03]) * max(edge, 1.02) / scene.index).separated
            assert around[0] < HAZE_VOLUME < around[1]
        # the edge and the mixture's own second phase tell one story
        own = scene.split([1.0]).separated[0]
        assert bool(scene.index < edge) == bool(own < HAZE_VOLUME)
    extent = dissolve("limonene", PG).extent
    for second, word in ((0.0, "clear"), (1e-12, "hazy"), (0.0199, "hazy"), (HAZE_VOLUME, "splits")):
        assert replace(extent, driven=extent.driven._replace(own=second)).verdict == word


@pytest.mark.parametrize("celsius", [10.0, 25.0, 60.0])
def test_radius_of_interaction_is_the_critical_distance(celsius):
    """Flory: two liquids at this Ra are just critical, chi/chi_c = 1; the interaction goes with 1/T."""
    radius = interaction_radius(160.0, 75.0, celsius=celsius)
    hsp = [[16.0, 2.0, 4.0], [16.0 + 0.3 * radius, 2.0, 4.0 + 0.8 * radius]]  # Ra^2 = (2 x 0.3)^2 + 0.8^2 = 1
    index = float(phases.pair_index([160.0, 75.0], hsp)) * 298.15 / (celsius + 273.15)
    assert index == pytest.approx(1.0)


def test_the_alcohol_yardstick_at_its_ends():
    """Propylene glycol takes water and alcohol in any proportion; hexadecane splits from any alcohol."""
    assert ethanol_strength_to_clear(PG, volumes=3) == 0.0
    assert np.isnan(ethanol_strength_to_clear("hexadecane", volumes=3))
    # the standards do not count the opalescence of waxes
    whole = oil("sweet orange, cold-pressed")
    assert ethanol_strength_to_clear(whole, volumes=5) == pytest.approx(
        ethanol_strength_to_clear(whole.without_wax(), volumes=5), abs=2e-4
    )
    wax = next(one for one, is_one in zip(whole.substances, whole.waxes, strict=True) if is_one)
    with pytest.raises(InputError, match="all residue on evaporation"):
        ethanol_strength_to_clear(Oil("wax", (wax.name,), (wax,), (100.0,)), volumes=5)


def test_what_is_not_covered_is_like_the_rest_and_as_uncertain_as_aromas_differ():
    names, share = ("limonene", "linalool"), 0.1
    members = tuple(substance(name) for name in names)
    subject = Oil("partly", names, members, (60.0, 30.0))
    parts, fractions = oil_members(subject)
    first = np.array([60 / members[0].density, 30 / members[1].density])
    first /= first.sum()
    assert fractions == pytest.approx([*(1 - share) * first, share])
    rest = parts[-1]
    assert rest.point == pytest.approx(first @ np.array([one.hsp.array for one in members]))
    density = first / np.array([one.volume for one in members])
    for counts, strengths in (("donors", "donor_strengths"), ("acceptors", "acceptor_strengths")):
        offered = sum(
            d * (getattr(m.sites, counts)[0] @ getattr(m.sites, strengths))
            for d, m in zip(density, members, strict=True)
        )
        assert rest.volume * offered == pytest.approx(getattr(rest.sites, counts)[0] @ getattr(rest.sites, strengths))
    assert rest.volume == pytest.approx(1 / sum(f / one.volume for f, one in zip(first, members, strict=True)))
    rows = [row for row in read_table("substances.csv").rows if row["role"] == "aroma" and row["volume_cm3_mol"]]
    aromas = [(reconciled(row["name"]), row["volume_cm3_mol"]) for row in rows]
    away = np.array([after.hsp for after, _ in aromas if after is not None]) - rest.point
    sizes = np.array([size for after, size in aromas if after is not None])
    assert rest.covariance == pytest.approx(sum(np.outer(one, one) for one in away) / len(away))
    assert rest.volume_sd == pytest.approx(np.sqrt(sum((size - rest.volume) ** 2 for size in sizes) / len(sizes)))
    whole = Oil("whole", names, members, (66.0, 34.0))
    assert len(oil_members(whole)[0]) == 2


@pytest.mark.parametrize(("percent", "solid"), [(0.99, False), (1.01, True)])
def test_a_percent_of_a_solid_is_what_may_crystallise(percent, solid):
    """Vanillin melts at 81 C, coumarin at 71 C (CRC Handbook); the largest share is named first."""
    members = [substance(name) for name in ("vanillin", "coumarin", "limonene")]
    shares = np.array([percent, 5.0, 95.0 - percent]) / 100
    mixture = Mixture.of([(1.0, members, shares)])
    named = ("coumarin", "vanillin") if solid else ("coumarin",)
    assert may_crystallise(mixture, oil("limonene"), 25.0, clear=True) == named
    assert may_crystallise(mixture, oil("limonene"), 82.5, clear=True) == ()
    said = reason_unknown(mixture, named, 25.0)
    assert said.startswith(f"coumarin (5 % vol) melts at {members[1].melting_celsius:g} C")
    assert ("vanillin (1 % vol) melts at" in said) is solid
    assert "a solid at 25 C may crystallise" in said


def test_an_outcome_in_words_and_figures():
    clear, hazy = dissolve("limonene", "MCT"), dissolve("clove, bud", PG, oil_parts=1, carrier_parts=4)
    assert [replace(clear, p_clear=p).undecided for p in (0.2, 0.21, 0.79, 0.8)] == [False, True, True, False]
    assert "every proportion" in clear.limit()
    assert f"; clouds at {clear.water_tolerance_percent:.2g} % vol of water." in clear.sentence()
    anything = replace(clear, extent=replace(clear.extent, water=1.0))
    assert "; takes any amount of water." in anything.sentence()
    assert "undecided" not in clear.sentence()
    assert f"hazy at 1:4 by volume and 25 C (probability of clear {hazy.p_clear:.2f}" in hazy.sentence()
    assert hazy.limit() == (
        f"holds at most {hazy.max_oil_percent:.2g} % vol of oil (limited by {', '.join(hazy.limiting_components)})"
    )
    assert "water" not in hazy.sentence().split("vol of oil")[0]
    assert "; a trial of this mixture was clear;" in replace(hazy, seen="clear").sentence()
    assert "hazy, p_clear" in repr(hazy)
    assert hazy.second_phase_percent == pytest.approx(100 * hazy.extent.second)
    warned = dissolve("limonene", "diethylene glycol").sentence()
    assert warned.startswith("Caution: ")


def test_a_solid_that_surely_stays_dissolved_has_a_verdict():
    """Vanillin in propylene glycol: the Codex has it soluble 1 in a few parts (recalled)."""
    held = solubility("vanillin", PG).grams_per_100_mL_solvent
    assert 10 < held < 100
    assert dissolve("vanillin", PG, oil_parts=1, carrier_parts=50).verdict == "clear"
    assert dissolve("vanillin", PG, oil_parts=1, carrier_parts=1).verdict == "unknown"
    assert dissolve("menthol", "ethanol 96 % vol", oil_parts=1, carrier_parts=4).verdict == "clear"


def test_crystals_limit_how_much_is_held():
    """What `dissolve` says a carrier holds of a solid is its solubility, by volume of the liquid; and it is named."""
    for solid in ("vanillin", "menthol"):
        found, alone = dissolve(solid, PG, oil_parts=1, carrier_parts=50), solubility(solid, PG)
        own, liquid = substance(solid), substance(PG)
        moles = np.array([alone.mole_fraction, 1.0 - alone.mole_fraction]) * [own.volume, liquid.volume]
        assert found.max_oil_percent == pytest.approx(100 * moles[0] / moles.sum(), rel=1e-4)
        assert found.limiting_components == (solid,)
