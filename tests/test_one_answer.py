"""One question has one answer: whoever is asked, however it is written, in figures and in words."""

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

import hspkit
from hspkit import Oil, Trial, batch_sheet, best_blend, dissolve, learn, next_trial, oil, phases, rank_carriers
from hspkit.blending.survey import survey
from hspkit.carriers import Blend, Carrier, carrier, carriers, markets
from hspkit.errors import InputError
from hspkit.miscibility import HAZE_VOLUME, THEORY_SD_LN, stock_margin
from hspkit.miscibility.advice import percent
from hspkit.mixture import stock_of
from hspkit.plotting.triangle import on_page, phase_triangle
from hspkit.rendering import number
from hspkit.substances import substance

ORANGE, CLOVE, MINT = "sweet orange, cold-pressed", "clove, bud", "peppermint, steam-distilled"
PG = "propylene glycol"


def rearranged(subject, rng):
    """The same oil with its components in another order."""
    order = rng.permutation(len(subject.labels))

    def pick(values):
        return tuple(values[i] for i in order)

    return Oil(
        subject.name, pick(subject.labels), pick(subject.substances), pick(subject.mass_percent), subject.uncovered,
        liquid_celsius=subject.liquid_celsius,
    )  # fmt: skip


def with_nothing_of(subject, name):
    return Oil(
        subject.name, (*subject.labels, name), (*subject.substances, substance(name)), (*subject.mass_percent, 0.0),
        subject.uncovered, liquid_celsius=subject.liquid_celsius,
    )  # fmt: skip


@pytest.mark.parametrize("name", [ORANGE, CLOVE, MINT, "nutmeg"])
@pytest.mark.parametrize("liquid", [PG, "triacetin", "ethanol 70 % vol"])
def test_order_and_absent_components_change_nothing(name, liquid):
    subject = oil(name)
    first = dissolve(subject, liquid)
    others = [rearranged(subject, np.random.default_rng(seed)) for seed in (1, 2)]
    for other in (*others, with_nothing_of(subject, "ethyl butanoate")):
        again = dissolve(other, liquid)
        assert again.verdict == first.verdict
        for figure in ("p_clear", "p_splits", "max_oil_percent", "water_tolerance_percent", "second_phase_percent"):
            assert getattr(again, figure) == pytest.approx(getattr(first, figure), abs=1e-9), figure
        assert again.limiting_components == first.limiting_components


@pytest.mark.parametrize("trials", [(), (Trial("triacetin", "clear", 1, 2, 0.3),)], ids=["as shipped", "after a trial"])
def test_the_triangle_clouds_where_dissolve_does(trials):
    """Of an oil a part of which is not covered, and after a trial that moves the carrier and water as well."""
    subject = learn("lavender", trials) if trials else oil("lavender")
    water = dissolve(subject, "triacetin", draws=2).extent.water
    assert 0.03 < water < 0.95
    axes = phase_triangle(subject, "triacetin")
    diamond = next(np.ravel(line.get_xydata()) for line in axes.lines if line.get_marker() == "D")
    stock, diluent = on_page([[2 / 3, 0, 1 / 3], [0, 1, 0]])
    assert diamond == pytest.approx(stock + water * (diluent - stock), abs=1e-9)


@pytest.mark.parametrize("basis", ["volume", "mass"])
def test_a_blend_written_the_other_way_round_is_the_same(basis):
    shares = {"triacetin": 0.55, PG: 0.1, "triethyl citrate": 0.35}
    ways = [Blend(dict(list(shares.items())[::step]), basis=basis) for step in (1, -1)]
    ways.append(Blend({"MCT": 0.0, **shares}, basis=basis))
    for name in (ORANGE, CLOVE):
        chances = [dissolve(name, blend).p_clear for blend in ways]
        assert chances[1:] == pytest.approx(chances[:1] * 2, abs=1e-9)


def test_everybody_who_is_asked_says_the_same():
    """Propylene glycol 1:4 for clove: dissolve, ranking, blend table, sheet, figure, lesson and the plan of trials."""
    asked = {"oil_parts": 1, "carrier_parts": 4}
    known = dissolve(CLOVE, PG, **asked).p_clear
    assert 0.01 < known < 0.99
    said = {
        "rank": rank_carriers(CLOVE, carriers=[PG], **asked).table["p_clear"][0],
        "blend": best_blend(CLOVE, [PG], **asked).table["p_clear"][0],
        "sheet": batch_sheet(CLOVE, PG, **asked).outcome.p_clear,
        "figure": survey(CLOVE, [PG, "triacetin"], steps=2, **asked).p_clear[-1],
        "margin": stock_margin(oil(CLOVE), carrier(PG), 1, 4)[1],
    }
    plan = next_trial(CLOVE, [PG, "triacetin"], **asked).table
    here = (plan["carrier"] == PG) & (plan["carrier_parts"] == 4) & (plan["water_parts"] == 0)
    said["next trial"] = plan[here]["p_clear"].iloc[0]
    said["lesson"] = learn(CLOVE, [Trial("triacetin", "clear")]).lesson.compare([PG], **asked)["p_before"][0]
    assert said == pytest.approx(dict.fromkeys(said, known), abs=1e-9)


@pytest.mark.parametrize("tried", [("triacetin", 1, 2), (PG, 1, 2), (PG, 1, 4)])
def test_after_trials_too(tried):
    name, *parts = tried
    taught = learn(CLOVE, [Trial(name, "splits", *parts)])
    asked = {"oil_parts": 1, "carrier_parts": 4}
    known = dissolve(taught, PG, **asked).p_clear
    table = taught.lesson.compare([PG], **asked)
    assert table["p_before"][0] == pytest.approx(dissolve(CLOVE, PG, **asked).p_clear, abs=1e-9)
    assert table["p_after"][0] == pytest.approx(known, abs=1e-9)
    told = taught.lesson.verdicts[0]
    here = dict(zip(("oil_parts", "carrier_parts"), parts, strict=True))
    assert told.p_before == pytest.approx(dissolve(CLOVE, name, **here).p_splits, abs=1e-9)
    assert told.p_after == pytest.approx(dissolve(taught, name, **here).p_splits, abs=1e-9)
    assert table["seen"][0] == ("splits" if tried == (PG, 1, 4) else "")
    assert rank_carriers(taught, carriers=[PG], **asked).table["p_clear"][0] == pytest.approx(known, abs=1e-9)
    plan = next_trial(taught, [PG, "triacetin"], **asked, ratios=(0.5, 1.0)).table
    here = plan[(plan["carrier"] == PG) & (plan["carrier_parts"] == 4) & (plan["water_parts"] == 0)]
    if tried != (PG, 1, 4):  # a mixture that was tried is not advised again
        assert here["p_clear"].iloc[0] == pytest.approx(known, abs=1e-9)


@pytest.mark.parametrize(("seen", "liquid", "parts"), [("clear", "triacetin", 2), ("splits", "triethyl citrate", 2)])
def test_a_trial_of_the_very_mixture_has_the_last_word(seen, liquid, parts):
    before = dissolve(ORANGE, liquid, carrier_parts=parts)
    assert before.verdict != seen
    after = dissolve(learn(ORANGE, [Trial(liquid, seen, 1, parts)]), liquid, carrier_parts=parts)
    assert after.verdict == seen
    assert after.overruled == (after.extent.verdict != seen)
    assert {"clear": after.p_clear, "splits": after.p_splits}[seen] > 0.5
    share = 100 / (1 + parts)
    assert (after.least_oil_percent <= share <= after.max_oil_percent) or seen == "splits"
    assert f"a trial of this mixture was {seen}" in after.sentence()
    assert after.second_phase_percent == 0 or seen == "splits"


def test_a_trial_that_says_nothing_of_a_carrier_leaves_it_alone():
    """Lime in glycerol and a trial in MCT share the oil only; of a carrier far off the answer stays where it was."""
    taught = learn("limonene", [Trial("MCT", "clear")])
    assert dissolve(taught, "water").p_clear == pytest.approx(dissolve("limonene", "water").p_clear, abs=1e-3)


NAMES = [ORANGE, CLOVE, MINT, "sage, Dalmatian", "lemon, cold-pressed", "limonene", "linalool", "cassia"]
LIQUIDS = [PG, "triacetin", "triethyl citrate", "benzyl alcohol", "MCT", "ethanol 70 % vol", "1,3-propanediol", "water"]


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(NAMES), st.sampled_from(LIQUIDS), st.sampled_from([0.02, 0.25, 1, 4, 20]))
def test_verdict_second_phase_and_limits_tell_one_story(name, liquid, parts):
    found = dissolve(name, liquid, oil_parts=parts, carrier_parts=1)
    if found.verdict == "unknown":
        return
    share = 100 * parts / (1 + parts)
    expected = "clear" if found.second_phase_percent == 0 else "hazy"
    assert found.verdict == ("splits" if found.second_phase_percent >= 100 * HAZE_VOLUME else expected)
    inside = found.least_oil_percent - 0.02 <= share <= found.max_oil_percent + 0.02
    assert inside is (found.verdict == "clear")
    assert "holds at most 0 " not in found.sentence()
    assert "0.0 % vol" not in found.sentence()
    assert (found.p_hazy > found.p_splits) == (found.verdict == "hazy") or found.p_clear > 0.3 or found.p_splits > 0.3


def test_a_blend_that_parts_by_itself_is_told_so():
    """Triethyl citrate 70 % with MCT 30 % clears with enough oil and is two liquids without it."""
    blend = Blend({PG: 0.5, "MCT": 0.5}, basis="volume")
    lone = dissolve("limonene", blend, oil_parts=1, carrier_parts=9)
    assert lone.extent.carrier_separates
    assert "do not mix with each other" in lone.sentence()
    rich = dissolve("linalool", blend, oil_parts=4, carrier_parts=1)
    assert rich.verdict == "clear"
    assert 0 < rich.least_oil_percent < 80 < rich.max_oil_percent
    assert f"clear from {rich.least_oil_percent:.2g}" in rich.sentence()


@pytest.mark.parametrize(("name", "liquid"), [(ORANGE, PG), (CLOVE, "glycerol"), ("limonene", PG), (MINT, PG)])
def test_what_is_named_is_what_separates_at_the_cloud_point(name, liquid):
    found = dissolve(name, liquid)
    assert 0 < found.max_oil_percent < 100
    beyond = 1.02 * found.max_oil_percent / 100
    whole = stock_of(oil(name), carrier(liquid), beyond, 1 - beyond).present
    parted = hspkit.phases.split(whole.fractions, whole.volumes, whole.hsp, sites=whole.sites)
    assert parted.n_phases == 2
    own = {member.name for member in oil(name).substances}
    gained = parted.fractions[1] - whole.fractions
    assert (
        max((gain, part) for gain, part in zip(gained, whole.names, strict=True) if part in own)[1]
        == (found.limiting_components[0])
    )


def test_wax_is_told_from_what_limits_the_oil():
    """A cold-pressed orange oil clouds a glycol by its wax long before its terpenes do."""
    found = dissolve(ORANGE, PG)
    assert found.limiting_components == ("nonacosane",)
    assert found.wax_haze
    filtered = dissolve(oil(ORANGE).without_wax(), PG)
    assert filtered.max_oil_percent > 2 * found.max_oil_percent
    assert filtered.limiting_components[0] == "limonene"
    assert not filtered.wax_haze
    text = " ".join(found.advice)
    assert "Chill and filter" in text
    assert f"holds {filtered.max_oil_percent:.2g} % vol" in text
    note = rank_carriers(ORANGE, carriers=[PG]).table["notes"][0]
    assert "wax" in note
    assert "chill and filter" in note


@pytest.mark.parametrize("liquid", ["diethylene glycol", "dipropylene glycol"])
def test_nothing_is_advised_with_a_liquid_that_is_not_for_ingestion(liquid):
    asked = dissolve(ORANGE, liquid)
    assert asked.verdict == "splits"
    assert asked.advice == ()
    assert "filter" not in rank_carriers(ORANGE, carriers=[liquid]).table["notes"][0]


@pytest.mark.parametrize("name", [ORANGE, MINT, "sage, Dalmatian", CLOVE])
@pytest.mark.parametrize("liquid", [PG, "glycerol", "ethanol 70 % vol"])
def test_advice_was_computed_to_help(name, liquid):
    """What helps is advised with the figure that it leads to, and nothing else is: each asked of `dissolve` anew."""
    asked = dissolve(name, liquid, oil_parts=2, carrier_parts=4)
    if asked.verdict == "clear":
        assert asked.advice == ()
        return

    def lines(word):
        return [line for line in asked.advice if line.startswith(word)]

    def treated(made, of):
        kept = made.mass_yield / of.mass_yield
        return kept, dissolve(made, liquid, oil_parts=2 * kept, carrier_parts=4, draws=2)

    base = subject = oil(name)
    now, kind = asked, "the oil"
    waxes = {one.name for one, wax in zip(base.substances, base.waxes, strict=True) if wax}
    assert bool(lines("Chill")) is set(asked.limiting_components).issubset(waxes)
    for line in lines("Chill"):
        subject, kind = base.without_wax(), "the filtered oil"
        kept, now = treated(subject, base)
        assert now.max_oil_percent > 1.05 * asked.max_oil_percent
        assert f"({', '.join(waxes)}, {100 * (1 - kept):.2g} % of it)" in line
        assert f" {percent(now.max_oil_percent / 100)} % vol of it instead of" in line
        assert line.endswith(f"instead of {percent(asked.max_oil_percent / 100)}.")
        assert ("then it is clear at this ratio" in line) is (now.verdict == "clear")
    holds = now.max_oil_percent
    terpenes = {one.name for one, is_one in zip(subject.substances, subject.terpenes, strict=True) if is_one}
    for word, treat in (("Fold", lambda: subject.folded(5)), ("Remove", lambda: subject.without_terpenes(0.95))):
        try:
            kept, then = treated(treat(), subject)
        except InputError:  # it cannot be folded as far
            assert not lines(word)
            continue
        most = then.max_oil_percent
        held = most / (100 - most) / kept if most < 100 else np.inf  # of the oil as it was, to one part
        helps = then.verdict == "clear" or held > 1.05 * holds / (100 - holds)
        assert bool(lines(word)) is (helps and bool(terpenes & set(now.limiting_components)))
        for line in lines(word):
            assert f" {kind}" in line
            if then.verdict == "clear":
                assert f"at the same strength of flavour, {number(2 * kept)}:4, it is clear" in line
            else:
                assert f"holds the flavour of {percent(held / (1 + held))} % vol of oil instead of" in line
                assert line.endswith(f" {percent(holds / 100)}.")
    assert bool(lines("Use at most")) is (now.least_oil_percent == 0 and 0.1 <= holds < 0.95 * 100 / 3)
    for line in lines("Use at most"):
        assert line.startswith(f"Use at most {percent(holds / 100)} % vol")
        assert f"(1:{number(100 / holds - 1, 3)})" in line
        assert (" of the filtered oil" in line) is (subject is not base)
        parts = 0.98 * holds / (100 - 0.98 * holds)
        assert dissolve(subject, liquid, oil_parts=parts, carrier_parts=1, draws=2).verdict == "clear"
    for line in lines("Replace"):
        share = float(line.split()[1]) / 100
        other = line.split(" by ")[1].split(", where")[0]
        then = dissolve(subject, Blend({liquid: 1 - share, other: share}, basis="volume"))
        assert then.verdict == "clear"
        assert f"probability {then.p_clear:.2f}" in line
    assert {line.split()[0] for line in asked.advice} <= {"Chill", "Fold", "Remove", "Use", "Replace"}


def test_filtering_alone_is_advised_where_it_clears():
    """At 2.4 % the wax of orange oil clouds glycol and its terpenes do not yet."""
    asked = dissolve(ORANGE, PG, oil_parts=1, carrier_parts=40)
    filtered = oil(ORANGE).without_wax()
    then = dissolve(filtered, PG, oil_parts=filtered.mass_yield, carrier_parts=40)
    assert (asked.verdict == "clear", then.verdict) == (False, "clear")
    (line,) = asked.advice
    most = percent(then.max_oil_percent / 100)
    assert f"without it then it is clear at this ratio and holds {most} % vol of it instead of" in line


def test_the_carrier_that_is_advised_clears_best():
    """Of all carriers that some market permits, in the least share that clears at all, by the index of the stock."""
    (line,) = (line for line in dissolve(CLOVE, "ethanol 70 % vol").advice if line.startswith("Replace"))
    index = {}
    for name in carriers()["carrier"]:
        one = carrier(name)
        if one.substance is None or name in ("ethanol", "water") or name.startswith("ethanol"):
            continue
        if not any(one.permitted(market) in ("yes", "restricted") for market in markets()):
            continue
        if (one.substance.melting_celsius or -99) > 25:
            continue
        blend = Blend({"ethanol 70 % vol": 0.75, one: 0.25}, basis="volume")
        alone = stock_of(oil(CLOVE), blend, 1, 2)
        if phases.stable(alone.liquids[1], alone.volumes, alone.hsp, sites=alone.sites):
            there = alone.present
            index[name] = float(phases.binodal_index(there.fractions, there.volumes, there.hsp, sites=there.sites))
    best = min(index, key=index.get)
    assert index[best] < 1
    assert line.startswith(f"Replace 25 % of the carrier by {best},")


# --- solids ---


@pytest.mark.parametrize(
    ("name", "liquid", "celsius"),
    [
        ("vanillin", PG, 25),  # melts at 81 C (CRC Handbook)
        ("camphor", "MCT", 25),  # 180 C
        ("borneol", "MCT", 25),  # 204 C
        ("menthol", "benzyl alcohol", 25),
        ("limonene", "benzyl benzoate", 5),  # the carrier freezes at 19 C
        (MINT, "MCT", 5),  # menthol is frozen out of peppermint oil in the cold: common practice, no source
    ],
)
def test_what_may_crystallise_has_no_verdict(name, liquid, celsius):
    found = dissolve(name, liquid, celsius=celsius)
    assert found.verdict == "unknown"
    assert np.isnan([found.p_clear, found.max_oil_percent, found.water_tolerance_percent]).all()
    assert not found.undecided
    assert found.advice == ()
    assert "may crystallise" in found.sentence()
    assert "every proportion" not in found.sentence()
    row = rank_carriers(name, carriers=[liquid], celsius=celsius).row(liquid)
    assert row["verdict"] == "unknown"
    assert row["clear"] is None
    assert "may crystallise" in row["notes"]
    assert rank_carriers(name, carriers=[liquid], celsius=celsius).best is None


def test_unknown_stands_behind_hazy_and_before_splits():
    ranking = rank_carriers("limonene", carriers=["benzyl benzoate", "MCT", "glycerol", "water"], celsius=10)
    verdicts = ranking.table["verdict"].tolist()
    assert verdicts == sorted(verdicts, key=["clear", "hazy", "unknown", "splits"].index)
    assert "unknown" in verdicts


def test_an_oil_seen_liquid_vouches_for_its_components():
    shipped = oil(MINT)  # some 45 % of menthol, which melts at 42 C
    assert dissolve(shipped, "triethyl citrate").verdict in ("clear", "hazy", "splits")
    own = Oil("mine", shipped.labels, shipped.substances, shipped.mass_percent, shipped.uncovered)
    alkane = Carrier.of("hexadecane")  # in which menthol finds no partner
    assert dissolve(own, alkane).verdict == "unknown"
    seen = Oil("mine", shipped.labels, shipped.substances, shipped.mass_percent, shipped.uncovered, liquid_celsius=20)
    assert dissolve(seen, "triethyl citrate").p_clear == dissolve(shipped, "triethyl citrate").p_clear
    assert dissolve(seen, alkane).p_clear == dissolve(shipped, alkane).p_clear
    # more menthol than the oil that was seen: nobody vouches for that
    strong = shipped.without_terpenes(0.95)
    assert strong.seen_liquid is shipped
    assert dissolve("menthol", "triethyl citrate").verdict == "unknown"


def test_no_trial_is_planned_and_no_lesson_drawn_where_crystals_may_form():
    with pytest.raises(InputError, match="may crystallise"):
        next_trial("vanillin", [PG, "triacetin"])
    cold = next_trial("limonene", ["benzyl benzoate", "triacetin", "MCT"], celsius=5)
    assert "benzyl benzoate is left out" in cold.sentence()
    assert "benzyl benzoate" not in set(cold.table["carrier"])
    taught = learn("vanillin", [Trial(PG, "clear", 1, 20)])
    assert "a trial of this mixture was clear" in dissolve(taught, PG, carrier_parts=20).sentence()
    lesson = taught.lesson
    assert np.isnan(lesson.compare([PG])[["p_before", "p_after"]].to_numpy(dtype=float)).all()


def test_a_frozen_carrier_is_in_no_blend():
    search = best_blend("limonene", ["benzyl benzoate", "MCT", "triethyl citrate"], celsius=5)
    assert "solid at 5 C" in search.left_out["benzyl benzoate"]
    with pytest.raises(InputError, match="may crystallise"):
        best_blend("vanillin", [PG, "triacetin"], objective="clear")
    assert set(best_blend("vanillin", [PG, "triacetin"]).table["verdict"]) == {"unknown"}


def test_the_alcohol_yardstick_is_not_asked_of_solids():
    with pytest.raises(InputError, match=r"vanillin .* may crystallise"):
        hspkit.ethanol_strength_to_clear("vanillin", volumes=10)
    soda = hspkit.Application("US", "soft drinks", oil_mg_per_L=10)
    assert "unknown" in hspkit.application.dosing("vanillin", PG, soda).yardstick()


# --- coverage ---


def partly(percent):
    """An orange oil of which only so much was understood."""
    return Oil("partly", ("limonene", "linalool"), (substance("limonene"), substance("linalool")), (percent - 1, 1.0))


def test_little_covered_is_refused_unless_asked_for():
    for question in (
        lambda subject: rank_carriers(subject, carriers=["MCT"]),
        lambda subject: dissolve(subject, "MCT"),
        lambda subject: best_blend(subject, ["MCT", "triacetin"]),
        lambda subject: learn(subject, [Trial("MCT", "clear")]),
        lambda subject: next_trial(subject, ["MCT", "triacetin"]),
        lambda subject: batch_sheet(subject, "MCT"),
        lambda subject: hspkit.ethanol_strength_to_clear(subject, volumes=5),
    ):
        with pytest.raises(InputError, match=r"13 % of 'partly' only.*least_covered_percent=13"):
            question(partly(13.0))
        question(oil(partly(13.0), least_covered_percent=10))


def test_coverage_is_said_with_every_answer():
    subject = partly(90.0)
    said = "90.0 % of the oil is covered"
    ranking = rank_carriers(subject, carriers=["MCT"])
    assert said in dissolve(subject, "MCT").sentence()
    assert said in " ".join(ranking.cautions)
    assert said in ranking.to_html()
    assert said in " ".join(best_blend(subject, ["MCT", "triacetin"]).cautions)
    assert said in str(batch_sheet(subject, "MCT"))
    assert said in next_trial(subject, ["MCT", "triacetin"]).sentence()
    assert said in learn(subject, [Trial("MCT", "clear")]).lesson.report()
    assert ranking.table["oil_covered_percent"].tolist() == [90.0]
    assert said not in dissolve(partly(96.0), "MCT").sentence()


@pytest.mark.parametrize("liquid", ["triethyl citrate", PG, "triacetin"])
def test_what_is_not_covered_is_uncertain(liquid):
    sure, unsure = (dissolve(oil(partly(share), least_covered_percent=0), liquid) for share in (100.0, 13.0))
    assert unsure.margin.sd > 1.2 * sure.margin.sd
    # as much as if each draw were looked at anew: the part that is not covered any aroma compound
    stock = stock_of(unsure.oil, carrier(liquid), 1, 2).present
    drawn = stock.drawn(None, 400, 1)
    every = np.broadcast_to(stock.fractions, drawn.volumes.shape)
    index = hspkit.phases.binodal_index(every, drawn.volumes, drawn.hsp, sites=stock.sites)
    counted = ndtr(-np.log(np.maximum(index, 1e-3)) / THEORY_SD_LN).mean()
    # the margin is taken as normal, which it is not quite where 87 % of the oil may be anything
    assert unsure.p_clear == pytest.approx(counted, abs=0.08)


# --- bounds ---


@pytest.mark.parametrize("draws", [0, 3, -2, 2_000_000, 64.0, "many", None, True])
def test_draws_are_bounded(draws):
    with pytest.raises(InputError, match="draws is"):
        dissolve("limonene", "MCT", draws=draws)


@pytest.mark.parametrize("seed", [-1, 1.5, "zero", [1]])
def test_seeds_are_checked(seed):
    with pytest.raises(InputError, match="random_state is"):
        dissolve("limonene", "triacetin", random_state=seed)


def test_no_answer_warns():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        dissolve(MINT, PG).sentence()
