"""Print computed excess Gibbs energies of pairs of liquids beside measured ones: python tests/benchmarks/excess.py

The measured side is the NRTL parameters of ChemSep 8.32 (Kooijman and Taylor), fitted to vapour-liquid equilibria, as
shipped in the Python package `thermo` (development aid), read at 25 C and equal mole fractions. Pairs that
are evidence (`excess_energies.csv`) are left out.
"""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from hspkit import Substance, data, substance
from hspkit.calibration import calibration
from hspkit.evidence.pair import PairOfLiquids, exchange
from hspkit.phases import Sites


class Pair(NamedTuple):
    """Excess Gibbs energy over RT of an equimolar mixture at 25 C, measured and computed. [-]"""

    first: str
    second: str
    measured: float
    computed: float


def computed(one: Substance, other: Substance) -> float:
    """Return the excess Gibbs energy over RT of two substances in equal mole fractions at 25 C."""
    constants = calibration()
    volumes = np.array([one.volume, other.volume])
    pair = PairOfLiquids(volumes, Sites.joined([one.sites, other.sites]), [volumes[0] / volumes.sum()], constants)
    ln_gamma = pair.ln_gamma[0] + pair.slopes[0] * float(exchange(one.hsp.array, other.hsp.array, constants))
    return float(ln_gamma.mean())


def pairs() -> Iterator[Pair]:
    """Yield every pair of the table whose liquids both ship."""
    from thermo.interaction_parameters import IPDB
    from thermo.nrtl import NRTL

    ours = {row["cas"]: row["name"] for row in data.read_table("substances.csv").rows if row["cas"]}
    evidence = [(row["a"], row["b"]) for row in data.read_table("excess_energies.csv").rows]
    cas = {name: number for number, name in ours.items()}
    seen = {(cas[x], cas[y]) for a, b in evidence for x, y in ((a, b), (b, a))}
    for key in IPDB.tables["ChemSep NRTL"]:
        both = tuple(key.split(" "))
        if both in seen or not all(number in ours for number in both):
            continue
        seen |= {both, both[::-1]}
        taus, alphas = (IPDB.get_ip_asymmetric_matrix("ChemSep NRTL", list(both), x) for x in ("bij", "alphaij"))
        model = NRTL(T=298.15, xs=[0.5, 0.5], tau_bs=taus, alpha_cs=alphas)
        names = [ours[number] for number in both]
        one, other = (substance(name) for name in names)
        yield Pair(*names, model.GE() / (8.31446261815324 * 298.15), computed(one, other))


def main() -> None:
    """Print the mean error, the rank correlation, and the pairs that are farthest off."""
    from scipy.stats import spearmanr

    found = list(pairs())
    away = np.array([pair.computed - pair.measured for pair in found])
    rank = spearmanr([pair.measured for pair in found], [pair.computed for pair in found])[0]
    print(f"{len(found)} pairs: mean error {np.abs(away).mean():.3f}, median {np.median(np.abs(away)):.3f}, "
          f"bias {away.mean():+.3f} RT, rank correlation {rank:.3f}")  # fmt: skip
    for place in np.argsort(-np.abs(away))[:12]:
        pair = found[place]
        print(f"  {pair.first:<20} {pair.second:<24} measured {pair.measured:6.3f}  computed {pair.computed:6.3f}")


if __name__ == "__main__":
    main()
