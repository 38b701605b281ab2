"""Hydrogen bonds: how many of the donors and acceptors of a liquid are bonded, and what that is worth.

Wertheim's first-order theory for sites whose bond strengths factorise: a donor of strength s and an acceptor of
strength t form bonds of strength Delta s t. With rho the densities of the sites and X the share of a kind that is free,

    X_donor = 1/(1 + s A),  X_acceptor = 1/(1 + t D),    A = sum rho t X over acceptors,  D = sum rho s X over donors

(strengths times the root of Delta), so two numbers say everything about a liquid. Its energy per volume over RT is

    F = sum rho (ln X + (1 - X)/2) = A D - sum phi_i h_i(A, D),    h_i = (1/V_i)[sum ln(1 + s A) + sum ln(1 + t D)],

stationary in A and D: at fixed A and D it is linear in the fractions, and -h_i is the slope along component i.

References: M.S. Wertheim, J. Stat. Phys. 35 (1984) 19-47; W.G. Chapman, K.E. Gubbins, G. Jackson, M. Radosz, Fluid
Phase Equilib. 52 (1989) 31-38 (both from memory; derivable).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hspkit import checks
from hspkit.errors import InputError

__all__ = ["Sites", "bonded", "bonded_by_half"]

Array = NDArray[np.float64]

#: Relative step of A at which the iteration ends; it is Newton's, so what is left is its square.
_TOLERANCE = 1e-5
#: Least slope that a step of Newton divides by: below the root there may be none, and the step is the longest.
_LEAST_SLOPE = 1e-9
_MOST_STEPS = 60
#: Sites of a molecule and strengths beyond these are a slip; judgement. [-]
MOST_SITES, MOST_STRENGTH = 1e4, 1e3


def dot(a: Array, b: Array) -> Array:
    """Return the sum of products over the last axis; numpy has its own from 2.0 on, which is faster."""
    own = getattr(np, "vecdot", None)
    return np.asarray(np.einsum("...i,...i->...", a, b) if own is None else own(a, b))


@dataclass(frozen=True)
class Sites:
    """Donors and acceptors of hydrogen bonds of the components of a mixture, by kind.

    Parameters
    ----------
    donors : ndarray of shape (..., n, k)
        Donor sites of a molecule of each component, by kind of donor. [-]
    acceptors : ndarray of shape (..., n, l)
        Acceptor sites, by kind of acceptor. [-]
    donor_strengths, acceptor_strengths : ndarray of shape (k,) and (l,)
        Strength of each kind; a hydroxyl of an alcohol has 1 as donor and as acceptor. [-]

    Raises
    ------
    InputError
        When a count or a strength is negative, not finite or beyond nature, or shapes do not fit.

    Examples
    --------
    Ethanol with one donor and 1.4 acceptors, and an ether:

    >>> Sites([[1.0], [0.0]], [[1.4, 0.0], [0.0, 1.0]], [1.0], [1.0, 0.34]).size
    2
    """

    donors: Array
    acceptors: Array
    donor_strengths: Array
    acceptor_strengths: Array

    def __post_init__(self) -> None:
        for name, most in (
            ("donors", MOST_SITES), ("acceptors", MOST_SITES),
            ("donor_strengths", MOST_STRENGTH), ("acceptor_strengths", MOST_STRENGTH),
        ):  # fmt: skip
            values = checks.array(getattr(self, name), name, "(..., n, k) for sites, (k,) for strengths")
            if not np.all((values >= 0) & (values <= most)):
                raise checks.refuse(getattr(self, name), name, f"numbers from 0 to {most:g}")
            object.__setattr__(self, name, values)
        for sites, strengths in ((self.donors, self.donor_strengths), (self.acceptors, self.acceptor_strengths)):
            if sites.ndim < 2 or strengths.ndim != 1 or sites.shape[-1] != strengths.size:
                message = (
                    f"sites have shape {sites.shape} and strengths {strengths.shape}; expected (..., n, k) and (k,)"
                )
                raise InputError(message)
        if self.donors.shape[-2] != self.acceptors.shape[-2]:
            message = f"donors have shape {self.donors.shape} and acceptors {self.acceptors.shape}; expected the same n"
            raise InputError(message)

    @classmethod
    def none(cls, n: int) -> Sites:
        """Return components without any sites.

        Parameters
        ----------
        n : int
            Number of components. [-]

        Examples
        --------
        >>> Sites.none(3).donors.shape
        (3, 0)
        """
        return cls(np.zeros((n, 0)), np.zeros((n, 0)), np.zeros(0), np.zeros(0))

    @classmethod
    def joined(cls, parts: Sequence[Sites]) -> Sites:
        """Return components one after the other, one kind for each strength that occurs.

        Parameters
        ----------
        parts : sequence of Sites
            Components of a mixture. [-]

        Examples
        --------
        >>> water = Sites([[2.0]], [[2.0]], [1.2], [1.7])
        >>> Sites.joined([water, Sites.none(1), water]).donors.tolist()
        [[2.0], [0.0], [2.0]]
        """
        merged = []
        for sites, strengths in (("donors", "donor_strengths"), ("acceptors", "acceptor_strengths")):
            kinds = np.unique(np.concatenate([np.zeros(0), *(getattr(part, strengths) for part in parts)]))
            rows = []
            for part in parts:
                place = np.searchsorted(kinds, getattr(part, strengths))
                row = np.zeros((part.size, kinds.size))
                for column, kind in enumerate(place):
                    row[:, kind] += getattr(part, sites)[:, column]
                rows.append(row)
            occurs = np.concatenate(rows).any(axis=0) if rows else np.zeros(0, dtype=bool)
            merged.append((np.concatenate(rows)[:, occurs], kinds[occurs]))
        return cls(merged[0][0], merged[1][0], merged[0][1], merged[1][1])

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> Sites:
        """Return the sites of some components.

        Parameters
        ----------
        rows : ndarray of shape (k,)
            Places, or True and False for each component. [-]
        """
        return Sites(self.donors[rows], self.acceptors[rows], self.donor_strengths, self.acceptor_strengths)

    @property
    def size(self) -> int:
        """Number of components. [-]"""
        return int(self.donors.shape[-2])


def bonded(
    donors: Array, acceptors: Array, donor_strengths: Array, acceptor_strengths: Array, guess: Array | None = None
) -> tuple[Array, Array]:
    """Return A and D of liquids.

    Parameters
    ----------
    donors, acceptors : ndarray of shape (..., k) and (..., l)
        Densities of the sites by kind. [mol/cm3]
    donor_strengths, acceptor_strengths : ndarray of shape (..., k) and (..., l)
        Strengths times the root of Delta. [(cm3/mol)^0.5]
    guess : ndarray of shape (...), optional
        A near to where it is. [(mol/cm3)^0.5]

    Returns
    -------
    tuple of two ndarrays of shape (...)
        A and D. [(mol/cm3)^0.5]

    Examples
    --------
    One kind of each, equally many: X = 1/(1 + s s rho X).

    >>> acceptors, donors = bonded(np.array([0.02]), np.array([0.02]), np.array([50.0]), np.array([50.0]))
    >>> free = 1 / (1 + 50.0 * float(acceptors))
    >>> round(free, 4), round(1 / (1 + 50.0 * 50.0 * 0.02 * free), 4)
    (0.1318, 0.1318)
    """
    with np.errstate(divide="ignore"):
        bonds, _ = bonded_by_half(donors, acceptors, 1.0 / donor_strengths, 1.0 / acceptor_strengths, guess)
    return bonds[..., 0], bonds[..., 1]


def bonded_by_half(
    donors: Array, acceptors: Array, half_donors: Array, half_acceptors: Array, guess: Array | None = None,
    tolerance: float = _TOLERANCE,
) -> tuple[Array, Array]:  # fmt: skip
    """Return (A, D), and by how much A answers to D and D to A (..., 2), from the A and D at which half is bonded.

    These are the reciprocals of the strengths (..., k) and (..., l). What A implies for itself, D(A) and then A(D), is
    concave and positive at 0; so there is one root, Newton comes down on it from above, and a step from below lands
    above it.
    """
    most = dot(acceptors, 1.0 / half_acceptors)
    bonds, order = np.empty((*most.shape, 2)), np.zeros((*most.shape, 2))
    if donors.shape[-1] == 0 or acceptors.shape[-1] == 0:
        bonds[..., 0], bonds[..., 1] = most, dot(donors, 1.0 / half_donors)
        return bonds, order
    a = most if guess is None else np.minimum(guess, most)
    for _ in range(_MOST_STEPS):
        share = 1.0 / (half_donors + a[..., None])
        d = dot(donors, share)
        share *= share
        to_d = dot(donors, share)
        share = 1.0 / (half_acceptors + d[..., None])
        off = dot(acceptors, share) - a
        share *= share
        to_a = dot(acceptors, share)
        new = np.minimum(a + off / np.maximum(1.0 - to_a * to_d, _LEAST_SLOPE), most)
        step = new - a
        a = new
        if not (np.abs(step) > tolerance * a).any():
            break
    bonds[..., 0], bonds[..., 1] = a, d - to_d * step
    order[..., 0], order[..., 1] = to_a, to_d
    return bonds, order
