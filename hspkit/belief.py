"""What is not known, drawn: parameters and volumes of substances, and how far the theory misses.

Every substance has draws of its own, dealt by its identity and the seed. So a probability does not depend on the order
of the components, on a component of which there is nothing, or on what else was asked, and two carriers are compared
under the same draws of the oil. Bench trials tie substances together: `Belief` holds what they leave.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import checks
from hspkit.calibration import calibration

__all__ = [
    "DRAWS", "LAPSE", "MOST_DRAWS", "OWN_SHARE", "THEORY_SD_LN", "Belief", "Drawn", "Tried", "check_draws",
    "draw", "root_of", "seed_of",
]  # fmt: skip

Array = NDArray[np.float64]

#: Spread of ln M that stands for what the theory itself misses [-]; fitted, see ``calibration.csv``.
THEORY_SD_LN = calibration().sd_mixing
#: Share of the theory's misfit (variance) that belongs to one composition; the rest is common to all mixtures of an
#: oil with one carrier. Nothing is known of the division, so it is made in the middle.
OWN_SHARE = 0.5
#: Least chance of each outcome of a trial, whatever the theory says: a wrong bottle, a wrong line of the log;
#: judgement, no source.
LAPSE = 0.01
#: Draws of the parameters behind a probability. They come in mirrored pairs, and the logarithm of the binodal index
#: is taken as normal: against counting 1,000 draws that is good to about 0.03 (tests/test_miscibility.py).
DRAWS = 64
#: More draws than this change no digit that is printed and would fill the memory [-].
MOST_DRAWS = 10_000


def seed_of(random_state: int | np.random.Generator | None) -> int:
    """Return the seed that a random state stands for.

    Parameters
    ----------
    random_state : int, Generator or None
        A generator, from which one number is taken; a whole number >= 0, of which a fresh generator is made; None for
        a seed from the system. [-]

    Raises
    ------
    InputError
        For anything else.

    Examples
    --------
    >>> seed_of(7) == seed_of(np.random.default_rng(7))
    True
    """
    if random_state is None:
        return int(np.random.SeedSequence().entropy)  # type: ignore[arg-type]
    return int(np.random.default_rng(checks.random_state(random_state)).integers(2**63))


@lru_cache(maxsize=16_384)
def _normals(identity: str, half: int, seed: int) -> Array:
    """Return standard normal numbers (half, 4) of one substance: delta_d, delta_p, delta_h and volume."""
    own = int.from_bytes(hashlib.sha256(identity.encode("utf-8", "surrogatepass")).digest()[:16], "big")
    found = np.random.default_rng(np.random.SeedSequence([seed, own])).standard_normal((half, 4))
    found.flags.writeable = False
    return found


class Drawn(NamedTuple):
    """Draws of a mixture of n components.

    Attributes
    ----------
    hsp : ndarray of shape (k, n, 3)
        Hansen parameters. [MPa^0.5]
    volumes : ndarray of shape (k, n)
        Molar volumes. [cm3/mol]
    misfit : ndarray of shape (k,)
        What trials say of the theory's misfit in ln M, given these parameters; 0 without trials. [-]
    misfit_sd : float
        Spread of the misfit that is left. [-]
    """

    hsp: Array
    volumes: Array
    misfit: Array
    misfit_sd: float


class Tried(NamedTuple):
    """A mixture that was tried: which it is (`Belief.tried_as`), its outcome, and the chance that all else gave it."""

    mixture: tuple[Any, ...]
    outcome: str
    p_others: float


@dataclass(frozen=True, eq=False)
class Belief:
    """What bench trials leave of the uncertainty of an oil and of the carriers it was tried in.

    The state z holds three numbers for each of n substances and one for each of m liquids, scaled so that before any
    trial it is standard normal: the parameters of substance i are ``mean[i] + root[i] z_i``, and the shared misfit of
    the theory in a liquid is its number times sqrt(1 - `OWN_SHARE`) `THEORY_SD_LN`.

    Parameters
    ----------
    identities : tuple of str, length n
        The substances. [-]
    mean : ndarray of shape (n, 3)
        Their parameters before the trials. [MPa^0.5]
    root : ndarray of shape (n, 3, 3)
        Roots of their covariances before the trials. [MPa^0.5]
    liquids : tuple, length m
        The liquids, as `Mixture.liquid_of` names them. [-]
    state : ndarray of shape (3 n + m,)
        Mean of z after the trials. [-]
    covariance : ndarray of shape (3 n + m, 3 n + m)
        Covariance of z after the trials. [-]
    tried : tuple of Tried
        The mixtures that were tried. [-]
    """

    identities: tuple[str, ...]
    mean: Array
    root: Array
    liquids: tuple[Any, ...]
    state: Array
    covariance: Array
    tried: tuple[Tried, ...] = ()

    @cached_property
    def _modes(self) -> tuple[Array, Array]:
        """Standard deviations (3 n,) along the principal axes (3 n, 3 n) of the parameters."""
        size = 3 * len(self.identities)
        values, vectors = np.linalg.eigh(self.covariance[:size, :size])
        return np.sqrt(np.clip(values, 0.0, None)), vectors

    def after(self, identity: str) -> tuple[Array, Array] | None:
        """Return parameters (3,) [MPa^0.5] and covariance (3, 3) [MPa] of a substance; None when it is not here.

        Parameters
        ----------
        identity : str
            As `Substance.identity`. [-]
        """
        if identity not in self.identities:
            return None
        at = self.identities.index(identity)
        own = slice(3 * at, 3 * at + 3)
        root = self.root[at]
        return np.clip(self.mean[at] + root @ self.state[own], 0.0, None), root @ self.covariance[own, own] @ root.T

    def outcome_of(self, mixture: tuple[Any, ...]) -> Tried | None:
        """Return the latest trial of this very mixture; None when there was none."""
        return next((one for one in reversed(self.tried) if one.mixture == mixture), None)

    def _draw(self, half: int, seed: int) -> tuple[Array, Array]:
        """Return numbers along the principal axes (2 half, 3 n), and the parameters drawn (2 half, n, 3)."""
        size, (sd, axes) = 3 * len(self.identities), self._modes
        normal = np.stack([_normals(one, half, seed)[:, :3] for one in self.identities], axis=1).reshape(half, size)
        along = _mirrored(normal @ axes)
        z = self.state[:size] + (along * sd) @ axes.T
        z = z.reshape(2 * half, len(self.identities), 3)
        return along, self.mean + np.einsum("nij,dnj->dni", self.root, z)

    def _misfit(self, along: Array, liquid: Any) -> tuple[Array, float]:
        """Return the mean of the shared misfit (k,) of a liquid given drawn parameters, and its variance left. [-]"""
        shared = np.sqrt(1.0 - OWN_SHARE) * THEORY_SD_LN
        if liquid not in self.liquids:
            return np.zeros(len(along)), shared**2
        size, (sd, axes) = 3 * len(self.identities), self._modes
        row = size + self.liquids.index(liquid)
        tie = np.divide(self.covariance[row, :size] @ axes, sd, out=np.zeros(size), where=sd > 1e-9)
        left = max(float(self.covariance[row, row] - tie @ tie), 0.0)
        return shared * (self.state[row] + along @ tie), shared**2 * left


def root_of(covariance: Array) -> Array:
    """Return the symmetric roots (..., k, k) of covariances, some of which may be only semidefinite.

    Another root, as from eigenvectors alone or Cholesky, would do for the statistics; this one is unique, so that the
    same numbers drawn give the same parameters on every processor.

    Parameters
    ----------
    covariance : ndarray of shape (..., k, k)
        Symmetric matrices without a negative direction. [-]

    Examples
    --------
    >>> root_of(np.diag([4.0, 0.0, 9.0])).round(9).tolist()
    [[2.0, 0.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, 3.0]]
    """
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray((vectors * np.sqrt(np.clip(values, 0.0, None))[..., None, :]) @ np.swapaxes(vectors, -1, -2))


def _mirrored(half: Array) -> Array:
    return np.concatenate([half, -half])


def check_draws(draws: int) -> int:
    """Return the number of draws after checking that it is even and within reason.

    Raises
    ------
    InputError
        For anything but an even whole number from 2 to `MOST_DRAWS`.

    Examples
    --------
    >>> check_draws(64)
    64
    """
    number = draws if isinstance(draws, int | np.integer) and not isinstance(draws, bool) else 0
    if number % 2 or not 2 <= number <= MOST_DRAWS:
        raise checks.refuse(draws, "draws", f"an even whole number from 2 to {MOST_DRAWS:,}")
    return int(number)


def draw(
    identities: tuple[str, ...],
    hsp: Array,
    covariance: Array,
    volumes: Array,
    volume_sd: Array,
    *,
    liquid: Any = None,
    belief: Belief | None = None,
    draws: int = DRAWS,
    random_state: int | np.random.Generator | None = 0,
) -> Drawn:
    """Draw what is not known of a mixture, in mirrored pairs about the middle.

    Parameters
    ----------
    identities : tuple of str, length n
        The substances. [-]
    hsp : ndarray of shape (n, 3)
        Their parameters. [MPa^0.5]
    covariance : ndarray of shape (n, 3, 3)
        Covariance of each. [MPa]
    volumes, volume_sd : ndarray of shape (n,)
        Molar volumes and their standard deviations. [cm3/mol]
    liquid : hashable
        Which carrier, for the misfit that trials found in it. [-]
    belief : Belief, optional
        What trials left; without it every substance is independent of every other. [-]
    draws : int
        Even number of draws. [-]
    random_state : int, Generator or None
        Seed. [-]

    Returns
    -------
    Drawn

    Raises
    ------
    InputError
        For a number of draws or a seed that cannot be used.

    Examples
    --------
    >>> one = draw(("a", "b"), np.full((2, 3), 9.0), np.tile(np.eye(3), (2, 1, 1)), np.full(2, 90.0), np.ones(2))
    >>> other = draw(("b",), np.full((1, 3), 9.0), np.eye(3)[None], np.full(1, 90.0), np.ones(1))
    >>> bool((one.hsp[:, 1] == other.hsp[:, 0]).all()), one.hsp.mean(axis=0).round(9)[0].tolist()
    (True, [9.0, 9.0, 9.0])
    """
    half, seed = check_draws(draws) // 2, seed_of(random_state)
    normal = np.stack([_normals(one, half, seed) for one in identities], axis=1)
    drawn = hsp + _mirrored(np.einsum("nij,dnj->dni", root_of(covariance), normal[..., :3]))
    sizes = volumes + _mirrored(volume_sd * normal[..., 3])
    misfit, variance = np.zeros(2 * half), THEORY_SD_LN**2
    if belief is not None:
        along, known = belief._draw(half, seed)
        for row, identity in enumerate(identities):
            if identity in belief.identities:
                drawn[:, row] = known[:, belief.identities.index(identity)]
        misfit, shared = belief._misfit(along, liquid)
        variance = shared + OWN_SHARE * THEORY_SD_LN**2
    return Drawn(
        np.clip(drawn, 0.0, None),
        np.clip(sizes, 0.5 * volumes, 2.0 * volumes),
        misfit,
        float(np.sqrt(variance)),
    )
