"""``python -m hspkit.workshop.accuracy`` prints every figure of docs/accuracy-miscibility.md. Takes some minutes.

Facts about pairs, activities and statements are predicted with everything that bears on the held-out substance's
pairs or activities left out (eight folds over substances, never over rows); alcohol tests are never evidence, so the
shipped parameters are used. ``--kinds`` prints instead the table with each kind of evidence left out and alone,
``--nested`` the same figures with the constants of the theory found anew without the held-out substances.
"""

from __future__ import annotations

import argparse
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import data
from hspkit.calibration import Calibration, calibration
from hspkit.errors import ExtrapolationWarning, HspkitError
from hspkit.evidence.facts import KINDS, WATER, Fact, facts, liquids
from hspkit.evidence.joint import Fit
from hspkit.evidence.kinds import Activity, Mixing
from hspkit.evidence.shipped import fit_shipped
from hspkit.miscibility import dissolve
from hspkit.molecules import Molecule, read_molecules
from hspkit.oils import oil
from hspkit.pairs import miscibility_probability
from hspkit.phases.mixture import gather
from hspkit.phases.search import search as search_phases
from hspkit.substances import index
from hspkit.workshop.bonds import print_bonds, uptake_error
from hspkit.workshop.constants import ethanol_limit, search
from hspkit.workshop.scores import balanced, rank_correlation, roc_auc
from hspkit.workshop.strengths import members_of, print_strengths, score_strengths

__all__ = ["main"]

Array = NDArray[np.float64]

FOLDS = 8
#: Constants of the free energy itself; the others say how far it may be off.
THEORY = ("alpha", "weight_polar", "bond_strength")
SEED = 1
#: Activities up to here count as near room temperature. [degC]
NEAR_ROOM = 45.0
#: Names of oils in statements that are spoken otherwise here.
SPOKEN = {
    "basil": "basil, methyl chavicol type",
    "cinnamon leaf": "cinnamon, leaf",
    "clove bud": "clove, bud",
    "dillweed": "dill, weed",
    "fennel": "fennel, sweet",
    "juniper berry": "juniper, berry",
    "orange": "sweet orange, cold-pressed",
    "thyme": "thyme, thymol type",
}
#: Shares of oil at which a mixture with a carrier is looked at; clear at all of them counts as soluble. [-]
SHARES = (0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.7, 0.9)
STATED_CARRIERS = ("propylene glycol", "glycerol", "mineral oil")
SOLUBLE = ("soluble", "miscible")
NOT_SOLUBLE = ("slightly soluble", "insoluble")


class Pairs(NamedTuple):
    """Rows of ``miscible_pairs.csv`` as arrays."""

    a: NDArray[np.intp]
    b: NDArray[np.intp]
    mixes: NDArray[np.bool_]
    celsius: Array
    derived: NDArray[np.bool_]
    recalled: NDArray[np.bool_]

    @property
    def rarer(self) -> NDArray[np.intp]:
        """The member that stands in fewer pairs: the one whose pairs are held out."""
        count = np.bincount(np.concatenate([self.a, self.b]), minlength=len(liquids().names))
        return np.where(count[self.a] < count[self.b], self.a, self.b)

    @property
    def with_water(self) -> NDArray[np.bool_]:
        """Pairs with water."""
        water = liquids().row(WATER)
        return (self.a == water) | (self.b == water)


def read_pairs() -> Pairs:
    """Return all shipped pairs, those that a rule derived from other measurements included."""
    row = liquids().row
    lines = [line for line in data.read_table("miscible_pairs.csv").rows if line["a"] != line["b"]]
    return Pairs(
        np.array([row(line["a"]) for line in lines]),
        np.array([row(line["b"]) for line in lines]),
        np.array([line["outcome"] == "miscible" for line in lines]),
        np.array([25.0 if line["celsius"] is None else line["celsius"] for line in lines]),
        np.array([line["derived"] for line in lines]),
        np.array([line["recalled"] for line in lines]),
    )


@cache
def _mixing(pairs: tuple[tuple[int, int, float], ...], constants: Calibration) -> Mixing:
    """Return pairs (first, second, temperature) as evidence, whatever is known of them."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)
        return Mixing([Fact("mixing", a, b, 1.0, 0.0, celsius, "") for a, b, celsius in pairs], liquids(), constants)


def mixing_score(hsp: Array, constants: Calibration, a: Any, b: Any, celsius: Any) -> Array:
    """Return -ln(index): above 0 where the theory says that a pair mixes in all proportions."""
    return -np.log(_pairs_of(a, b, celsius, constants).index(hsp)[0])


def _pairs_of(a: Any, b: Any, celsius: Any, constants: Calibration) -> Mixing:
    first, second, warmth = np.broadcast_arrays(a, b, celsius)
    return _mixing(tuple((int(x), int(y), float(t)) for x, y, t in zip(first, second, warmth, strict=True)), constants)


def ln_gamma(hsp: Array, constants: Calibration, activities: Sequence[Fact]) -> Array:
    """Return ln gamma at infinite dilution that parameters give where it was measured."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)
        return Activity(activities, liquids(), constants).evaluate(hsp).predicted


# --- held-out predictions -----------------------------------------------------------------------------------


class HeldOut(NamedTuple):
    """Scores of pairs (evidence held out; structure alone), their probabilities, activities, statements; ln of uptakes
    of water computed over measured.

    ``constants`` are those of each fold.
    """

    pairs: Array
    probability: Array
    structure: Array
    activities: Array
    statements: Array
    uptakes: Array
    shipped: Fit
    constants: tuple[Calibration, ...]


class Statement(NamedTuple):
    """Soluble or not, of a substance in a carrier."""

    a: int
    b: int
    soluble: bool
    carrier: str


def _stated() -> Iterator[Mapping[str, Any]]:
    """Lines of statements for propylene glycol, glycerol and mineral oil that were read or are the Codex's."""
    kinds = data.sources()
    for line in data.read_table("carrier_statements.csv").rows:
        if line["carrier"] not in STATED_CARRIERS or line["statement"] not in SOLUBLE + NOT_SOLUBLE:
            continue
        if kinds[line["source"]]["kind"] != "memory" or "fcc" in line["source"]:
            yield line


def read_statements() -> list[Statement]:
    """Return the statements on single substances."""
    row = liquids().row
    found = []
    for line in _stated():
        name = index().get(line["cas"]) if line["cas"] else None
        if name is not None:
            found.append(Statement(row(name), row(line["carrier"]), line["statement"] in SOLUBLE, line["carrier"]))
    return found


class OilStatement(NamedTuple):
    """Soluble or not, of an oil in a carrier, and how far from splitting it is computed: above 0 it never splits."""

    oil: str
    carrier: str
    soluble: bool
    score: float


def oil_statements(hsp: Array, constants: Calibration) -> list[OilStatement]:
    """Return the statements on whole oils that ship, with -ln of the largest binodal index over all `SHARES`."""
    shipped = liquids()
    found = []
    for line in _stated():
        spoken = line["substance"].replace(" oil", "", 1)
        if spoken == line["substance"]:
            continue
        try:
            subject = oil(SPOKEN.get(spoken, spoken))
        except HspkitError:
            continue  # an oil that does not ship
        members, shares = members_of(subject)
        rows = [*map(int, members), shipped.row(line["carrier"])]
        oily = np.array(SHARES)[:, None]
        parts = np.concatenate([oily * shares, 1.0 - oily], axis=1)
        index = search_phases(
            gather(parts, shipped.volumes[rows], hsp[rows], sites=shipped.sites(rows), constants=constants)
        ).value
        score = -float(np.log(max(index.max(), 1e-9)))
        found.append(OilStatement(subject.name, line["carrier"], line["statement"] in SOLUBLE, score))
    return found


def near_room() -> list[Fact]:
    """Return the activities near room temperature."""
    return [fact for fact in facts() if fact.kind == "activity" and fact.celsius <= NEAR_ROOM]


def structure_priors(members: Sequence[int]) -> dict[int, tuple[Array, Array]]:
    """Return estimates of substances by a group model that was fitted without their structures."""
    from hspkit.estimation.model import GroupModel
    from hspkit.workshop.open_data import hansen_table

    shipped = liquids()
    read = dict(zip(members, read_molecules([shipped.smiles[m] for m in members]), strict=True))
    molecules = {m: molecule for m, molecule in read.items() if isinstance(molecule, Molecule)}
    banned = {molecule.canonical for molecule in molecules.values()}
    table = hansen_table()
    keep = [i for i, molecule in enumerate(table.molecules) if molecule.canonical not in banned]
    smiles = [table.molecules[i].canonical for i in keep]
    model = GroupModel().fit(smiles, table.hsp[keep])
    answer = model.predict([molecule.smiles for molecule in molecules.values()])
    mean = answer[["delta_d", "delta_p", "delta_h"]].to_numpy()
    sd = answer[["sd_d", "sd_p", "sd_h"]].to_numpy()
    return {m: (mean[k], sd[k]) for k, m in enumerate(molecules) if np.all(np.isfinite(mean[k]))}


def hold_out(
    used: Sequence[Fact],
    constants: Calibration,
    *,
    structure: bool = False,
    nested: bool = False,
    say: Callable[[str], None] = lambda _: None,
) -> HeldOut:
    """Predict each pair, activity and statement from fits that did not see it; see the module's first lines.

    With ``nested`` the constants of `THEORY` are found anew for each fold, from evidence without its substances.
    """
    shipped = fit_shipped(used, constants, tolerance=1e-3)
    everywhere, by_fold = constants, []
    pairs, activities, statements = read_pairs(), near_room(), read_statements()
    fold = np.random.default_rng(SEED).permutation(len(liquids().names)) % FOLDS
    water = liquids().row(WATER)
    rarer = pairs.rarer
    count = np.bincount(np.concatenate([pairs.a, pairs.b]), minlength=len(fold))
    score, probability, from_structure = (np.full(len(rarer), np.nan) for _ in range(3))
    act = np.full(len(activities), np.nan)
    told = np.full(len(statements), np.nan)
    uptakes = [fact for fact in facts() if fact.kind == "liquid solubility" and fact.a == water]
    taken = np.full(len(uptakes), np.nan)
    act_a = np.array([fact.a for fact in activities])
    st_a, st_b = (np.array([getattr(s, key) for s in statements]) for key in ("a", "b"))
    for k in range(FOLDS):
        say(f"fold {k + 1} of {FOLDS}")
        out = fold == k

        def touches(fact: Fact, out: NDArray[np.bool_] = out) -> bool:
            if fact.kind in ("mixing", "consolute temperature"):
                return bool(out[fact.a if count[fact.a] < count[fact.b] else fact.b])
            if fact.kind == "liquid solubility":  # of water, or in a glycol: the other one is the rare one
                return bool(out[fact.b if fact.a == water else fact.a])
            return fact.kind in ("activity", "computed activity", "transfer") and bool(out[fact.a])

        kept = [fact for fact in used if not touches(fact)]
        if nested:
            without = [fact for fact in kept if not (out[fact.a] or (out[fact.b] and fact.b != liquids().row(WATER)))]
            for _, moved, _ in search(without, everywhere, THEORY, shipped.hsp):
                constants = moved
        by_fold.append(constants)
        fit = fit_shipped(kept, constants, start=shipped.hsp, tolerance=0.01)
        # For a pair with water, or one derived from a solubility or activity, those say the same: leave them out too.
        bare = [fact for fact in kept if not (fact.kind in ("water solubility", "log P") and out[fact.a])]
        bare_fit = fit_shipped(bare, constants, start=fit.hsp, tolerance=0.01)
        same = pairs.derived | pairs.with_water
        for found, these in ((fit, out[rarer] & ~same), (bare_fit, out[rarer] & same)):
            score[these] = mixing_score(found.hsp, constants, pairs.a[these], pairs.b[these], pairs.celsius[these])
            probability[these] = pair_probability(found, constants, pairs.a[these], pairs.b[these])
        if structure:
            nothing = [
                f for f in bare if not ((f.kind == "vaporisation enthalpy" or f.kind == "excess energy") and out[f.a])
            ]
            nothing = [f for f in nothing if not (out[f.a] and f.a != liquids().row(WATER) and f.kind != "mixing")]
            members = [int(m) for m in np.unique(rarer[out[rarer]])]
            blind = fit_shipped(nothing, constants, start=bare_fit.hsp, other=structure_priors(members), tolerance=0.01)
            these = out[rarer]
            from_structure[these] = mixing_score(
                blind.hsp, constants, pairs.a[these], pairs.b[these], pairs.celsius[these]
            )
        these = out[act_a]
        act[these] = ln_gamma(fit.hsp, constants, [activities[i] for i in np.flatnonzero(these)])
        these = out[[fact.b for fact in uptakes]]
        taken[these] = [uptake_error(fit.hsp, constants, uptakes[i]) for i in np.flatnonzero(these)]
        these = out[st_a]
        told[these] = mixing_score(fit.hsp, constants, st_a[these], st_b[these], 25.0)
    return HeldOut(score, probability, from_structure, act, told, taken, shipped, tuple(by_fold))


def pair_probability(fit: Fit, constants: Calibration, a: Any, b: Any) -> Array:
    """Return the probability that pairs mix, as `pair_miscibility` does."""
    pairs = _pairs_of(a, b, 25.0, constants)
    return miscibility_probability(fit.hsp[a] - fit.hsp[b], fit.covariance[a] + fit.covariance[b], *pairs.parts)


def reliability(probability: Array, happened: NDArray[np.bool_], bins: int = 10) -> tuple[float, list[tuple]]:
    """Return the expected calibration error and the table behind it (range, count, mean said, share that happened)."""
    place = np.minimum((probability * bins).astype(int), bins - 1)
    rows, error = [], 0.0
    for k in range(bins):
        these = place == k
        if these.any():
            said, was = float(probability[these].mean()), float(happened[these].mean())
            rows.append((k / bins, (k + 1) / bins, int(these.sum()), said, was))
            error += these.mean() * abs(said - was)
    return float(error), rows


def summary(held: HeldOut, constants: Calibration) -> dict[str, float]:
    """Return the figures of one set of held-out predictions."""
    pairs, activities, statements = read_pairs(), near_room(), read_statements()
    water = pairs.with_water
    measured = np.array([fact.value for fact in activities])
    strengths = score_strengths(held.shipped.hsp, constants)
    found = {
        "pairs AUC": roc_auc(held.pairs, pairs.mixes),
        "pairs balanced": balanced(held.pairs, pairs.mixes),
        "water-free AUC": roc_auc(held.pairs[~water], pairs.mixes[~water]),
        "with water AUC": roc_auc(held.pairs[water], pairs.mixes[water]),
        "activity error": float(np.abs(held.activities - measured).mean()),
        "activity rank": rank_correlation(held.activities, measured),
        "water uptake error": float(np.abs(held.uptakes).mean()),
        "water uptake bias": float(held.uptakes.mean()),
        "strength error": strengths.error,
        "strength bias": strengths.bias,
        "strength rank": strengths.rank,
    }
    for carrier in STATED_CARRIERS:
        these = np.array([s.carrier == carrier for s in statements])
        soluble = np.array([s.soluble for s in statements])
        found[f"{carrier} AUC"] = roc_auc(held.statements[these], soluble[these])
    oils = oil_statements(held.shipped.hsp, constants)
    for carrier in ("propylene glycol", "mineral oil"):  # no oil is stated to be soluble in glycerol
        soluble = np.array([s.soluble for s in oils if s.carrier == carrier])
        found[f"{carrier}, oils"] = roc_auc(np.array([s.score for s in oils if s.carrier == carrier]), soluble)
    return found


# --- printing -----------------------------------------------------------------------------------------------


def _print_main(constants: Calibration) -> None:
    held = hold_out(facts(), constants, structure=True, say=lambda text: print(text, end="; ", flush=True))
    pairs = read_pairs()
    print("\n\nheld out by substance")
    for name, value in summary(held, constants).items():
        print(f"  {name:<22} {value:.3f}")
    read = ~pairs.derived & ~pairs.recalled
    print(f"  pairs read, not derived: AUC {roc_auc(held.pairs[read], pairs.mixes[read]):.3f}, "
          f"balanced {balanced(held.pairs[read], pairs.mixes[read]):.3f}, n = {read.sum()}")  # fmt: skip
    ok = np.isfinite(held.structure)
    print(f"  one member from structure only: AUC {roc_auc(held.structure[ok], pairs.mixes[ok]):.3f}, "
          f"balanced {balanced(held.structure[ok], pairs.mixes[ok]):.3f}, n = {ok.sum()}")  # fmt: skip
    error, rows = reliability(held.probability, pairs.mixes)
    print(f"\nreliability of the probability of mixing, held out: expected calibration error {error:.3f}")
    print("  said          n    mean said  happened")
    for low, high, count, said, was in rows:
        print(f"  {low:.1f} to {high:.1f}  {count:4d}    {said:.3f}      {was:.3f}")
    shown = held.shipped.hsp
    print("\nethanol limits of ternaries (never evidence)")
    for row in data.read_table("ethanol_limits.csv").rows:
        value = ethanol_limit(shown, constants, row["substance"], row["celsius"])
        print(f"  {row['substance']:<12} {value:.3f} computed, {row['ethanol_mass_fraction']:.2f} measured")
    print_bonds(shown, constants)


#: A cold-pressed citrus oil in carriers whose behaviour the trade knows (common practice, no source).
CITRUS = "sweet orange, cold-pressed"
CITRUS_CARRIERS = (
    "triethyl citrate", "benzyl alcohol", "MCT", "triacetin", "propylene glycol", "glycerol", "1,3-propanediol",
    "water", "ethanol 96 % vol", "ethanol 40 % vol",
)  # fmt: skip


def _print_citrus() -> None:
    print(f"\n{CITRUS} in carriers, by volume")
    for name in CITRUS_CARRIERS:
        for parts in (2, 1):
            found = dissolve(CITRUS, name, carrier_parts=parts)
            print(
                f"  {name:<18} 1:{parts}  {found.verdict:<7} probability of clear {found.p_clear:.2f}, {found.limit()}"
            )


def _print_nested(constants: Calibration) -> None:
    held = hold_out(facts(), constants, nested=True, say=lambda text: print(text, end="; ", flush=True))
    print("\n\nheld out by substance, the constants found anew in each fold (strengths: shipped constants)")
    for figure, value in summary(held, constants).items():
        print(f"  {figure:<22} {value:.3f}")
    for name in THEORY:
        values = [getattr(one, name) for one in held.constants]
        print(f"  {name:<22} shipped {getattr(constants, name):g}; in the folds {', '.join(f'{x:g}' for x in values)}")


def _print_kinds(constants: Calibration) -> None:
    print("\nwith and without each kind of evidence (rest as above)")
    sets: list[tuple[str, list[str]]] = [("none", []), ("all", list(KINDS))]
    sets += [(f"all but {kind}", [other for other in KINDS if other != kind]) for kind in KINDS]
    sets += [(f"only {kind}", [kind]) for kind in KINDS]
    head = None
    for name, kinds in sets:
        found = summary(hold_out([f for f in facts() if f.kind in kinds], constants), constants)
        if head is None:
            head = list(found)
            print("| evidence | " + " | ".join(head) + " |\n|" + "---|" * (len(head) + 1))
        print(f"| {name} | " + " | ".join(f"{found[key]:.3f}" for key in head) + " |", flush=True)


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--kinds", action="store_true", help="the table with and without each kind of evidence (slow)")
    parser.add_argument("--nested", action="store_true", help="constants found anew in each fold (slow)")
    parser.add_argument("--strengths-only", action="store_true", help="the alcohol tests and citrus oil alone (quick)")
    options = parser.parse_args()
    constants = calibration()
    shipped = liquids()
    rows = {row["substance"]: row for row in data.read_table("reconciled.csv").rows}
    hsp = np.array([[rows[n][k] for k in ("delta_d", "delta_p", "delta_h")] for n in shipped.names])
    print_strengths(hsp, constants)
    _print_citrus()
    if options.strengths_only:
        return
    (_print_kinds if options.kinds else _print_nested if options.nested else _print_main)(constants)


if __name__ == "__main__":
    main()
