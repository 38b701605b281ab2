"""What the free energy of `hspkit.phases` says about two liquids, written out so that evidence can be read through it.

For two liquids everything hangs on one number, the exchange energy per volume [mol/cm3]

    w = a (Dd^2 + p Dp^2 + h Dh^2 + c DA DB),    a = alpha/(RT),

with Dd, Dp, Dh the differences of the Hansen parameters and DA, DB those of the densities of hydrogen-bond donors and
acceptors (`bonds`). p, h and c are fitted (`Calibration`); p = h = 1/4 and c = 0 is the plain Hansen distance. So a
measured solubility or activity becomes a measured w once and for all, and parameters are compared with that.

A *point* is (delta_d, delta_p, delta_h, donor density, acceptor density); for (delta_d, delta_p, delta_h) alone w is
that of the plain Hansen distance, as in `phases`.

Water and alcohols are associated liquids: their hydroxyls link molecules into chains, which mix as larger molecules
would. They enter the entropy with a *mixing volume*, the molar volume and a fitted piece for each hydroxyl
(`Calibration.hydroxyl_association`); that of water is 1.7 times its molar volume. Volume fractions stay what
they are.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import data, hansen
from hspkit.errors import DataFileError
from hspkit.phases.mixture import GAS_CONSTANT, HANSEN_WEIGHTS

__all__ = [
    "LAPSE",
    "Calibration",
    "calibration",
    "coexisting_strength",
    "critical_strength",
    "dilute_ln_gamma",
    "excess_size_term",
    "exchange",
    "exchange_slope",
    "mixing_volume",
    "scale_at",
    "shipped_scale",
]

Array = NDArray[np.float64]

#: Share of statements "mixes" or "does not mix" that may be plainly wrong, in both directions; judgement, no source.
LAPSE = 0.01


class Calibration(NamedTuple):
    """The fitted constants, one row of ``calibration.csv`` each."""

    alpha: float
    weight_polar: float
    weight_hydrogen: float
    weight_sites: float
    hydroxyl_association: float
    sd_activity: float
    sd_water_solubility: float
    sd_log_p: float
    sd_internal_bond: float
    sd_total: float
    sd_mixing: float
    published_sd_d: float
    published_sd_p: float
    published_sd_h: float
    water_sd_scale: float
    estimate_sd_scale: float
    shared_deviation: float
    likeness_length: float

    @property
    def weights(self) -> Array:
        """Weights of the squared differences of delta_d, delta_p, delta_h, shape (3,). [-]"""
        return np.array([1.0, self.weight_polar, self.weight_hydrogen])


@cache
def calibration() -> Calibration:
    """Return the constants of ``calibration.csv``.

    Examples
    --------
    >>> 0.5 < calibration().alpha < 0.8
    True
    """
    found = {row["constant"]: row["value"] for row in data.read_table("calibration.csv").rows}
    missing = [name for name in Calibration._fields if name not in found]
    if missing:
        message = f"calibration.csv lacks {', '.join(missing)}; rebuild it with python -m hspkit.workshop.constants"
        raise DataFileError(message)
    return Calibration(**{name: found[name] for name in Calibration._fields})


def scale_at(celsius: ArrayLike) -> tuple[Array, Array]:
    """Return factors (..., 3) of the parameters and (...) of the volumes at a temperature, both 1 at 25 degC.

    The same rates as in `phases`: the expansivity of a typical liquid for all.

    Parameters
    ----------
    celsius : array_like of shape (...)
        Temperature. [degC]

    Examples
    --------
    >>> factors, volume = scale_at(25.0)
    >>> factors, float(volume)
    (array([1., 1., 1.]), 1.0)
    """
    warmth = np.asarray(celsius, dtype=float)
    points = hansen.at_temperature(np.ones(3), warmth)
    return points, np.exp(hansen.TYPICAL_EXPANSIVITY * (warmth - 25.0))


def exchange(a: ArrayLike, b: ArrayLike, *, celsius: ArrayLike = 25.0, constants: Calibration | None = None) -> Array:
    """Return the exchange energy per volume of two liquids over RT. [mol/cm3]

    Parameters
    ----------
    a, b : array_like of shape (..., 3) or (..., 5)
        Points at 25 C, both of one kind; they broadcast. [MPa^0.5; mol/L]
    celsius : array_like of shape (...)
        Temperature. [degC]
    constants : Calibration, optional
        Constants of the theory; those of ``calibration.csv`` by default. [-]

    Returns
    -------
    ndarray of shape (...)
        w; below 0 where a donor meets an acceptor that has no donor of its own. [mol/cm3]

    Examples
    --------
    >>> float(exchange([16, 4, 8], [16, 4, 4], constants=calibration()._replace(alpha=1.0)))
    0.00161
    """
    use = calibration() if constants is None else constants
    factors, _ = scale_at(celsius)
    difference = np.asarray(a, dtype=float) - np.asarray(b, dtype=float)
    kelvin = np.asarray(celsius, dtype=float) + 273.15
    weights = use.weights if difference.shape[-1] == 5 else HANSEN_WEIGHTS**2
    square = np.sum(weights * (difference[..., :3] * factors) ** 2, axis=-1)
    if difference.shape[-1] == 5:
        square = square + use.weight_sites * difference[..., 3] * difference[..., 4] * factors[..., 2] ** 2
    return use.alpha / (GAS_CONSTANT * kelvin) * square


def exchange_slope(
    a: ArrayLike, b: ArrayLike, *, celsius: ArrayLike = 25.0, constants: Calibration | None = None
) -> Array:
    """Return the derivatives of `exchange` by the Hansen parameters of the first liquid; those of the second are minus.

    Parameters
    ----------
    a, b : array_like of shape (..., 3)
        Hansen parameters at 25 C. [MPa^0.5]
    celsius, constants
        As in `exchange`.

    Returns
    -------
    ndarray of shape (..., 3)
        For w of points with sites, whose weights are fitted. [mol/(cm3 MPa^0.5)]

    Examples
    --------
    >>> use = calibration()._replace(alpha=1.0, weight_polar=0.25)
    >>> exchange_slope([16, 4, 8], [16, 2, 8], constants=use).round(6)
    array([0.      , 0.000403, 0.      ])
    """
    use = calibration() if constants is None else constants
    factors, _ = scale_at(celsius)
    kelvin = np.asarray(celsius, dtype=float)[..., None] + 273.15
    difference = np.asarray(a, dtype=float) - np.asarray(b, dtype=float)
    return 2.0 * use.alpha / (GAS_CONSTANT * kelvin) * use.weights * factors**2 * difference


def shipped_scale(points: ArrayLike, constants: Calibration) -> Array:
    """Return points (..., 5) that mean, with the shipped weights of `phases`, what the given ones mean with others.

    Parameters
    ----------
    points : array_like of shape (..., 5)
        Points for the weights of ``constants``. [MPa^0.5; mol/L]
    constants : Calibration
        Constants of the theory. [-]

    Examples
    --------
    >>> shipped_scale([[16.0, 4.0, 8.0, 0.0, 1.0]], calibration())
    array([[16.,  4.,  8.,  0.,  1.]])
    """
    shipped = calibration()
    ratio = np.sqrt(
        np.concatenate([constants.weights / shipped.weights, np.full(2, constants.weight_sites / shipped.weight_sites)])
    )
    return np.asarray(points, dtype=float) * ratio


def mixing_volume(volume: ArrayLike, hydroxyls: ArrayLike, *, constants: Calibration | None = None) -> Array:
    """Return the volume that counts in the entropy of mixing. [cm3/mol]

    Parameters
    ----------
    volume : array_like of shape (...)
        Molar volume. [cm3/mol]
    hydroxyls : array_like of shape (...)
        Hydroxyls of a molecule that associate (`bonds.associating_hydroxyls`). [-]
    constants : Calibration, optional
        Constants of the theory; those of ``calibration.csv`` by default. [-]

    Examples
    --------
    >>> mixing_volume([100.0, 18.1], [0, 1], constants=calibration()._replace(hydroxyl_association=12.0))
    array([100. ,  30.1])
    """
    use = calibration() if constants is None else constants
    return np.asarray(volume, dtype=float) + use.hydroxyl_association * np.asarray(hydroxyls, dtype=float)


def critical_strength(volume_a: ArrayLike, volume_b: ArrayLike) -> Array:
    """Return the w above which two liquids do not mix in all proportions. [mol/cm3]

    Parameters
    ----------
    volume_a, volume_b : array_like of shape (...)
        Mixing volumes. [cm3/mol]

    References
    ----------
    P.J. Flory, Principles of Polymer Chemistry, Cornell 1953, ch. XIII (derivable: zero of the second and third
    derivative of the free energy).

    Examples
    --------
    >>> float(critical_strength(100.0, 100.0) * 100.0)
    2.0
    """
    roots = 1.0 / np.sqrt(np.asarray(volume_a, dtype=float)) + 1.0 / np.sqrt(np.asarray(volume_b, dtype=float))
    return 0.5 * roots**2


def excess_size_term(mole_fraction: float, volumes: tuple[float, float], mixing: tuple[float, float]) -> float:
    """Return the excess Gibbs energy over RT of two liquids that comes from their sizes alone. [-]

    Parameters
    ----------
    mole_fraction : float
        Of the first liquid. [-]
    volumes, mixing : tuple of two floats
        Molar and mixing volumes. [cm3/mol]

    Examples
    --------
    >>> excess_size_term(0.5, (100.0, 100.0), (100.0, 100.0))
    0.0
    """
    shares = np.array([mole_fraction, 1.0 - mole_fraction])
    sizes, joined = np.array(volumes), np.array(mixing)
    phi = shares * sizes / np.sum(shares * sizes)
    activity = (np.log(phi) + 1.0 - joined * np.sum(phi / joined)) * sizes / joined
    return float(np.sum(shares * (activity - np.log(shares))))


def dilute_ln_gamma(
    strength: ArrayLike, solute: ArrayLike, solvent: ArrayLike, solvent_mixing: ArrayLike | None = None
) -> Array:
    """Return ln gamma at infinite dilution, on the scale of mole fractions.

    Parameters
    ----------
    strength : array_like of shape (...)
        Exchange energy w. [mol/cm3]
    solute, solvent : array_like of shape (...)
        Molar volumes. [cm3/mol]
    solvent_mixing : array_like of shape (...), optional
        Mixing volume of the solvent, where it differs (water, alcohols). [cm3/mol]

    Notes
    -----
    A solute that is itself associated (water, alcohols) is counted as single molecules: diluted, its chains come apart.

    Examples
    --------
    >>> float(dilute_ln_gamma(0.02, 100.0, 100.0))
    2.0
    """
    small, large = np.asarray(solute, dtype=float), np.asarray(solvent, dtype=float)
    mixing = large if solvent_mixing is None else np.asarray(solvent_mixing, dtype=float)
    return np.log(small / large) + 1.0 - small / mixing + small * np.asarray(strength, dtype=float)


def coexisting_strength(fraction: float, volume: float, solvent_mixing: float) -> float | None:
    """Return the w at which a liquid is soluble to a given volume fraction in a solvent.

    Both phases are followed: the liquid takes up solvent too, which matters as soon as it is well soluble.

    Parameters
    ----------
    fraction : float
        Volume fraction of the dissolved liquid in the phase that is poor in it. [-]
    volume : float
        Mixing volume of the liquid. [cm3/mol]
    solvent_mixing : float
        Mixing volume of the solvent. [cm3/mol]

    Returns
    -------
    float or None
        None when the fraction lies beyond the critical one: no w gives such a phase. [mol/cm3]

    Examples
    --------
    >>> round(coexisting_strength(1e-5, 162.0, 36.0), 4)
    0.0922
    """
    size = 1.0 - volume / solvent_mixing
    other = 1.0 - solvent_mixing / volume
    critical = 1.0 / (1.0 + np.sqrt(volume / solvent_mixing))
    if not 0.0 < fraction < 0.98 * critical:
        return None

    def strength(q: Array) -> Array:
        """w from equal chemical potentials of the solvent; q = share of solvent in the other phase."""
        return (np.log1p(-fraction) - np.log(q) + (fraction - 1.0 + q) * other) / (
            solvent_mixing * ((1.0 - q) ** 2 - fraction**2)
        )

    def unequal(q: Array) -> Array:
        """Difference of the chemical potentials of the liquid."""
        w = strength(q)
        poor = np.log(fraction) + (1.0 - fraction) * size + volume * w * (1.0 - fraction) ** 2
        rich = np.log1p(-q) + q * size + volume * w * q * q
        return poor - rich

    # The root nearest to the critical point of a fine grid in ln q, then bisected: the function is smooth there.
    grid = np.exp(np.linspace(np.log(1e-12), np.log(1.0 - critical) - 1e-3, 400))
    values = unequal(grid)
    change = np.flatnonzero(np.sign(values[:-1]) * np.sign(values[1:]) < 0)
    if change.size == 0:
        return None
    low, high = np.log(grid[change[-1]]), np.log(grid[change[-1] + 1])
    sign = np.sign(values[change[-1]])
    for _ in range(60):
        middle = 0.5 * (low + high)
        if np.sign(unequal(np.exp(middle))) == sign:
            low = middle
        else:
            high = middle
    return float(strength(np.exp(0.5 * (low + high))))
