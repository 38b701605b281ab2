"""The free energy of a mixture written out molecule by molecule, without the engine: what the tests compare with.

Interaction by squared differences of pairs, hydrogen bonds by the shares of sites that are free (Wertheim's first
order; M.S. Wertheim, J. Stat. Phys. 35 (1984) 19-47, from memory, derivable), found by bisection.
"""

from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq

from hspkit.phases.association import Sites
from hspkit.phases.mixture import gather


class Liquids(NamedTuple):
    """One mixture: fractions and volumes (n,), points (n, r), sites per volume (n, k), (n, l), strengths (k,), (l,)."""

    fractions: np.ndarray
    volumes: np.ndarray
    points: np.ndarray
    donors: np.ndarray
    acceptors: np.ndarray
    donor_strengths: np.ndarray
    acceptor_strengths: np.ndarray


def single(mixtures, row):
    """Return one of some mixtures, without what is not there; and which components are."""
    there = mixtures.fractions[row] > 0

    def own(values):
        return np.broadcast_to(values, (len(mixtures.fractions), *values.shape[1:]))[row]

    per_component = (mixtures.volumes, mixtures.points, mixtures.donors, mixtures.acceptors)
    strengths = (own(mixtures.donor_strengths), own(mixtures.acceptor_strengths))
    return Liquids(mixtures.fractions[row][there], *(own(part)[there] for part in per_component), *strengths), there


def bonds(liquids, fractions):
    """Return A and D of a composition."""
    donors, acceptors = fractions @ liquids.donors, fractions @ liquids.acceptors
    s, t = liquids.donor_strengths, liquids.acceptor_strengths

    def donors_at(a):
        return float(np.sum(donors * s / (1 + s * a)))

    def off(a):
        return a - float(np.sum(acceptors * t / (1 + t * donors_at(a))))

    most = float(acceptors @ t)
    a = brentq(off, 0.0, most, xtol=1e-16, rtol=1e-14) if most > 0 and donors.any() else most
    return a, donors_at(a)


def bond_energy(liquids, fractions):
    """Return sum rho (ln X + (1 - X)/2) of a composition."""
    a, d = bonds(liquids, fractions)
    free = np.append(1 / (1 + liquids.donor_strengths * a), 1 / (1 + liquids.acceptor_strengths * d))
    density = np.append(fractions @ liquids.donors, fractions @ liquids.acceptors)
    return float(density @ (np.log(free) + (1 - free) / 2))


def energy(liquids, fractions):
    """Return g per volume over RT of a composition (n,) of these liquids."""
    contact = ((liquids.points[:, None] - liquids.points) ** 2).sum(axis=-1)
    there = fractions > 0
    mixing = (fractions[there] / liquids.volumes[there] * np.log(fractions[there])).sum()
    return mixing + 0.5 * fractions @ contact @ fractions + bond_energy(liquids, fractions)


def tilt(liquids, a, d):
    """Return how the bond energy answers to each fraction at A and D: -h_i."""
    of_donors = liquids.donors @ np.log1p(liquids.donor_strengths * a)
    return -(of_donors + liquids.acceptors @ np.log1p(liquids.acceptor_strengths * d))


def gain_and_cost(liquids, w):
    """Return what a trial phase gains and costs: the energy below and the entropy above the tangent plane."""
    phi = liquids.fractions
    shift = (w - phi) @ liquids.points
    slope = tilt(liquids, *bonds(liquids, phi)) @ (w - phi)
    gain = shift @ shift - (bond_energy(liquids, w) - bond_energy(liquids, phi) - slope)
    there = w > 0
    logs = w[there] * np.log(w[there] / phi[there])
    return gain, ((logs / liquids.volumes[there]).sum() - ((w - phi) / liquids.volumes).sum())


def random_sites(rng, n):
    """Return sites as organic liquids have them: most have some, not all both kinds."""
    donors = (rng.random((n, 2)) < 0.35) * rng.integers(1, 3, (n, 2))
    acceptors = (rng.random((n, 3)) < 0.45) * rng.integers(1, 3, (n, 3))
    return Sites(donors, acceptors, [0.6, 1.0], [0.05, 0.34, 1.4])


def random_question(seed, count, n, *, sites, shared=True, absent=False):
    """Return ``count`` mixtures of n liquids: Hansen distances alone or with bonds, of one set or of each."""
    rng = np.random.default_rng(seed)
    own = () if shared else (count,)
    hsp = rng.normal([17, 5, 9], [1, 3, 5], (*own, n, 3))
    fractions = rng.dirichlet(np.ones(n), count)
    if absent:
        fractions[1, [1, 3]] = 0.0
        fractions /= fractions.sum(axis=-1, keepdims=True)
    bonding = random_sites(rng, n) if sites else None
    return gather(fractions, rng.uniform(60, 250, (*own, n)), hsp, alpha=0.6, sites=bonding)
