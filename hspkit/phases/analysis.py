"""All trial phases that pay, of one mixture: searched for once, for everything that is asked about it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from hspkit import checks
from hspkit.errors import InputError
from hspkit.phases.association import Sites
from hspkit.phases.mixture import Array, Mixtures, gather
from hspkit.phases.search import Best, Maxima, follow, local_index, maxima
from hspkit.phases.splitting import Split, arrange, solve

__all__ = ["StabilityAnalysis", "binodal_index_of_draws"]

#: Steps that follow a maximum from the middle of the draws to one of them: Newton's, so few are enough.
_DRAW_STEPS = 20
#: Far beyond any misfit of the theory [-]; judgement.
_LEAST_FACTOR, _MOST_FACTOR = 1e-9, 1e6


@dataclass(frozen=True, slots=True)
class StabilityAnalysis:
    """The maxima of the ratio of gain to cost of one mixture; build it with `StabilityAnalysis.of`.

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
    sites : Sites, optional
        Its hydrogen-bond sites. [-]
    """

    mixture: Mixtures
    maxima: Maxima
    celsius: float
    sites: Sites | None = None

    @classmethod
    def of(
        cls,
        fractions: ArrayLike,
        volumes: ArrayLike,
        hsp: ArrayLike,
        *,
        celsius: float = 25.0,
        alpha: float | None = None,
        sites: Sites | None = None,
    ) -> StabilityAnalysis:
        """Search for all maxima of one mixture.

        Parameters
        ----------
        fractions, volumes : array_like of shape (n,)
            Volume fractions [-] and molar volumes [cm3/mol].
        hsp : array_like of shape (n, 3)
            Hansen parameters. [MPa^0.5]
        celsius : float
            Temperature. [degC]
        alpha, sites
            As in `spinodal_index`.

        Raises
        ------
        InputError
            When there is more than one mixture, and as in `spinodal_index`.

        Examples
        --------
        >>> analysis = StabilityAnalysis.of([0.5, 0.5], [100, 100], [[16, 0, 0], [16, 0, 20]], alpha=0.5)
        >>> round(analysis.index, 4), analysis.split([0.9, 1.1]).n_phases
        (1.0085, array([1, 2]))
        """
        mixture = gather(_one(fractions), volumes, hsp, celsius, alpha, sites)
        if mixture.shape != ():
            message = f"volumes, hsp, celsius or alpha have leading axes {mixture.shape}; expected one mixture"
            raise InputError(message)
        return cls(mixture, maxima(mixture), float(celsius), sites)

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
        draws = gather(self.mixture.fractions[0], volume_draws, hsp_draws, self.celsius, sites=self.sites)
        return _follow_all(draws, self.maxima.fields)

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
        factor = checks.array(factors, "factors", "(k,)")
        if factor.ndim != 1 or not np.all((factor >= 0) & (factor <= _MOST_FACTOR)):
            raise checks.refuse(factors, "factors", f"a row of numbers from 0 to {_MOST_FACTOR:g}")
        rows = np.zeros(factor.size, dtype=np.intp)
        several = self.mixture.take(rows).times(np.maximum(factor, _LEAST_FACTOR))
        best = self.maxima.best
        fields = best.fields[rows].copy()
        fields[:, :-3] /= np.maximum(factor, _LEAST_FACTOR)[
            :, None
        ]  # q and kappa are per volume, which the factor enlarges
        fields[:, -1] /= np.maximum(factor, _LEAST_FACTOR)
        return arrange(several, *solve(several, Best(best.value * factor, fields, best.fractions[rows])))


def _one(fractions: ArrayLike) -> Array:
    shares = checks.array(fractions, "fractions", "(n,)")
    if shares.ndim != 1:
        message = f"fractions has shape {shares.shape}; expected one mixture (n,); use binodal_index for several"
        raise InputError(message)
    return shares


def _follow_all(draws: Mixtures, fields: Array) -> Array:
    """Return the largest index that known maxima reach in mixtures close by."""
    if fields.shape[0] == 0:
        return np.asarray(local_index(draws).reshape(draws.shape)[()])
    known = np.broadcast_to(fields, (draws.fractions.shape[0], *fields.shape))
    return np.asarray(follow(draws, known, steps=_DRAW_STEPS).value.reshape(draws.shape)[()])


def binodal_index_of_draws(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    volume_draws: ArrayLike,
    hsp_draws: ArrayLike,
    *,
    celsius: float = 25.0,
    alpha: ArrayLike | None = None,
    sites: Sites | None = None,
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
    sites : Sites, optional
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
    draws = gather(_one(fractions), volume_draws, hsp_draws, celsius, alpha, sites)
    analysis = StabilityAnalysis.of(fractions, volumes, hsp, celsius=celsius, sites=sites)
    return _follow_all(draws, analysis.maxima.fields)
