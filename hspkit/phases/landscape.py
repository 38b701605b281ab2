"""All trial phases that pay, of one mixture: searched for once, for everything that is asked about it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from hspkit import checks
from hspkit.errors import InputError
from hspkit.phases.climb import Trial
from hspkit.phases.mixture import Array, Mixtures, gather
from hspkit.phases.search import Maxima, follow, maxima
from hspkit.phases.splitting import Split, arrange, solve
from hspkit.phases.tilts import local_index

__all__ = ["Landscape", "binodal_index_of_draws"]

#: Far beyond any misfit of the theory [-]; judgement.
_MOST_FACTOR = 1e6


@dataclass(frozen=True, slots=True)
class Landscape:
    """The maxima of the ratio of gain to cost of one mixture; build it with `Landscape.of`.

    Where they lie does not depend on the weight of the interaction, and hardly on the last digit of the
    parameters, so one search serves the index, its draws, and the phases at any weight.

    Parameters
    ----------
    mixture : Mixtures
        The one mixture, at its temperature.
    maxima : Maxima
        Its maxima, best first.
    celsius : float
        Temperature. [degC]
    """

    mixture: Mixtures
    maxima: Maxima
    celsius: float

    @classmethod
    def of(
        cls,
        fractions: ArrayLike,
        volumes: ArrayLike,
        hsp: ArrayLike,
        *,
        celsius: float = 25.0,
        alpha: float | None = None,
    ) -> Landscape:
        """Search for all maxima of one mixture.

        Parameters
        ----------
        fractions, volumes : array_like of shape (n,)
            Volume fractions [-] and molar volumes [cm3/mol].
        hsp : array_like of shape (n, 3)
            Hansen parameters. [MPa^0.5]
        celsius : float
            Temperature. [degC]
        alpha : float, optional
            As in `spinodal_index`. [-]

        Raises
        ------
        InputError
            When there is more than one mixture, and as in `spinodal_index`.

        Examples
        --------
        >>> scene = Landscape.of([0.5, 0.5], [100, 100], [[16, 0, 0], [16, 0, 20]], alpha=0.5)
        >>> round(scene.index, 4), scene.split([0.9, 1.1]).n_phases
        (1.0085, array([1, 2]))
        """
        mixture = gather(_one(fractions), volumes, hsp, celsius, alpha)
        if mixture.shape != ():
            message = f"volumes, hsp, celsius or alpha have leading axes {mixture.shape}; expected one mixture"
            raise InputError(message)
        return cls(mixture, maxima(mixture), float(celsius))

    @property
    def index(self) -> float:
        """Binodal index, as `binodal_index` gives it. [-]"""
        return float(self.maxima.best.value[0])

    @property
    def spinodal_index(self) -> float:
        """Spinodal index, as `phases.spinodal_index` gives it. [-]"""
        return float(local_index(self.mixture)[0])

    def index_of_draws(self, volume_draws: ArrayLike, hsp_draws: ArrayLike) -> Array:
        """Return the binodal index of draws of the parameters: see `binodal_index_of_draws`.

        Parameters
        ----------
        volume_draws : array_like of shape (n,) or (k, n)
            Molar volumes drawn. [cm3/mol]
        hsp_draws : array_like of shape (k, n, 3)
            Hansen parameters drawn. [MPa^0.5]

        Returns
        -------
        ndarray of shape (k,)
            Binodal index of each draw, at the standard weight of the interaction. [-]
        """
        return _follow_all(gather(self.mixture.fractions[0], volume_draws, hsp_draws, self.celsius), self.maxima.tilts)

    def split(self, factors: ArrayLike) -> Split:
        """Return the phases of the mixture when its interaction is so many times as strong.

        Parameters
        ----------
        factors : array_like of shape (k,)
            Factors on the interaction; 1 is the mixture as it is. [-]

        Returns
        -------
        Split
            As `split` gives it, of shape (k,).

        Raises
        ------
        InputError
            When the factors are not a row of numbers >= 0.
        """
        times = checks.array(factors, "factors", "(k,)")
        if times.ndim != 1 or not np.all((times >= 0) & (times <= _MOST_FACTOR)):
            raise checks.refuse(factors, "factors", f"a row of numbers from 0 to {_MOST_FACTOR:g}")
        one, best = self.mixture, self.maxima.best
        fractions = np.repeat(one.fractions, times.size, axis=0)
        several = Mixtures(fractions, one.volumes, one.points, one.strength * times, times.shape)
        trial = Trial(best.value * times, *(np.repeat(part, times.size, axis=0) for part in best[1:]))
        return arrange(several, *solve(several, trial))


def _one(fractions: ArrayLike) -> Array:
    shares = checks.array(fractions, "fractions", "(n,)")
    if shares.ndim != 1:
        message = f"fractions has shape {shares.shape}; expected one mixture (n,); use binodal_index for several"
        raise InputError(message)
    return shares


def _follow_all(draws: Mixtures, tilts: Array) -> Array:
    """Return the largest index that known maxima reach in mixtures close by."""
    if tilts.shape[0] == 0:
        return np.asarray(local_index(draws).reshape(draws.shape)[()])
    known = np.broadcast_to(tilts, (draws.fractions.shape[0], *tilts.shape))
    return np.asarray(follow(draws, known).value.reshape(draws.shape)[()])


def binodal_index_of_draws(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    volume_draws: ArrayLike,
    hsp_draws: ArrayLike,
    *,
    celsius: float = 25.0,
    alpha: ArrayLike | None = None,
) -> Array:
    """Return the binodal index of one mixture for many draws of its parameters, fast.

    All maxima are found once, at the central parameters, and followed to each draw; `binodal_index` searches
    anew for every draw. A phase that pays only far from the central parameters can be missed.

    Parameters
    ----------
    fractions : array_like of shape (n,)
        Volume fractions. [-]
    volumes : array_like of shape (n,)
        Molar volumes in the middle of the draws. [cm3/mol]
    hsp : array_like of shape (n, 3)
        Hansen parameters in the middle of the draws. [MPa^0.5]
    volume_draws : array_like of shape (n,) or (k, n)
        Molar volumes drawn. [cm3/mol]
    hsp_draws : array_like of shape (k, n, 3)
        Hansen parameters drawn. [MPa^0.5]
    celsius : float
        Temperature. [degC]
    alpha : array_like of shape () or (k,), optional
        As in `spinodal_index`. [-]

    Returns
    -------
    ndarray of shape (k,)
        Binodal index of each draw. [-]

    Raises
    ------
    InputError
        When there is more than one mixture, and as in `spinodal_index`.

    Examples
    --------
    >>> parameters = np.array([[16.0, 0, 0], [16.0, 0, 20]])
    >>> draws = parameters + np.array([0.0, 1.0])[:, None, None] * [[0, 0, 0], [0, 0, 1]]
    >>> binodal_index_of_draws([0.5, 0.5], [100, 100], parameters, [100, 100], draws, alpha=0.5).round(3)
    array([1.008, 1.112])
    """
    draws = gather(_one(fractions), volume_draws, hsp_draws, celsius, alpha)
    return _follow_all(draws, Landscape.of(fractions, volumes, hsp, celsius=celsius).maxima.tilts)
