"""One substance: a prior and pieces of evidence in, the most probable parameters and their covariance out."""

from __future__ import annotations

import html
import warnings
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import checks
from hspkit.errors import ExtrapolationWarning, InputError
from hspkit.estimation import Estimate, estimate
from hspkit.evidence.informed import informed
from hspkit.evidence.loss import huber, huber_weight
from hspkit.evidence.pieces import Evidence, Piece, Sloped
from hspkit.hansen import HSP
from hspkit.substances import Substance

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FLAG", "Reconciled", "Residual", "is_flagged", "posterior", "reconcile"]

Array = NDArray[np.float64]

#: A residual beyond this many standard deviations, theory's own misfit included, is flagged: no parameters that the
#: prior allows meet the piece together with the others.
FLAG = 2.5
#: The same for "mixes" and "does not mix": 2 is an outcome to which the theory gave a probability of 1 in 7.
FLAG_MIXING = 2.0
MAX_STEPS = 60
_STEP = 1e-4
_STEPS = _STEP * np.eye(3)


def is_flagged(kind: str, residual: float) -> bool:
    """Tell whether a residual of a kind of evidence is beyond what the misfit of the theory explains."""
    return bool(abs(residual) > (FLAG_MIXING if kind == "mixing" else FLAG))


class Residual(NamedTuple):
    """What became of one piece: measured and predicted value, and how many standard deviations lie between."""

    kind: str
    measured: float
    predicted: float
    z: float
    flagged: bool
    source: str


@dataclass(frozen=True, eq=False)
class Reconciled:
    """Parameters of a substance after evidence.

    Parameters
    ----------
    hsp : HSP
        Most probable parameters. [MPa^0.5]
    covariance : ndarray of shape (3, 3)
        Covariance of the Gaussian that touches the optimum. [MPa]
    residuals : tuple of Residual
        One for each piece, in the order given. [-]
    prior : HSP
        Parameters before. [MPa^0.5]
    prior_covariance : ndarray of shape (3, 3)
        Their covariance. [MPa]
    """

    hsp: HSP
    covariance: Array
    residuals: tuple[Residual, ...]
    prior: HSP
    prior_covariance: Array

    @property
    def sd(self) -> Array:
        """Standard deviations of delta_d, delta_p, delta_h, shape (3,). [MPa^0.5]"""
        return np.sqrt(np.diag(self.covariance))

    @property
    def flagged(self) -> tuple[Residual, ...]:
        """The pieces that no parameters meet within `FLAG` standard deviations."""
        return tuple(residual for residual in self.residuals if residual.flagged)

    def table(self) -> pd.DataFrame:
        """Return the residuals as a DataFrame, one row a piece."""
        import pandas as pd

        return pd.DataFrame(self.residuals, columns=list(Residual._fields))

    def __repr__(self) -> str:
        parts = ", ".join(
            f"{name}={value:.2f}±{spread:.2f}"
            for name, value, spread in zip(("delta_d", "delta_p", "delta_h"), self.hsp.array, self.sd, strict=True)
        )
        return f"Reconciled({parts}, {len(self.residuals)} pieces, {len(self.flagged)} flagged)"

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(repr(self))}</p>" + self.table().to_html(index=False, float_format="{:.3g}".format)


def _slope(piece: Piece, points: Array) -> Array:
    """Return the derivatives (m, 3) of the residual of a piece: its own where it has them, else central differences."""
    if isinstance(piece, Sloped):
        return piece.slope(points)
    around = [(piece.residual(points + step) - piece.residual(points - step)) / (2.0 * _STEP) for step in _STEPS]
    return np.stack(around, axis=1)


def posterior(mean: ArrayLike, covariance: ArrayLike, pieces: Sequence[Piece]) -> tuple[Array, Array, Array]:
    """Return the most probable point, its covariance and the residuals, for a Gaussian prior and pieces.

    Gauss-Newton steps with Levenberg-Marquardt damping in three dimensions, from the prior mean and from one standard
    deviation to either side of it along each principal axis, because a distance is met on both sides of a partner; the
    best end is taken. Components stay >= 0. Deterministic.

    Parameters
    ----------
    mean : array_like of shape (3,)
        Prior mean. [MPa^0.5]
    covariance : array_like of shape (3, 3)
        Prior covariance. [MPa]
    pieces : sequence of Piece
        Evidence; see `hspkit.evidence.pieces` for what a piece must offer. [-]

    Returns
    -------
    point : ndarray of shape (3,)
        [MPa^0.5]
    covariance : ndarray of shape (3, 3)
        [MPa]
    residuals : ndarray of shape (n_pieces,)
        In units of their standard deviation. [-]

    Raises
    ------
    InputError
        When shapes do not fit, or the prior is not finite with a positive definite covariance.

    Examples
    --------
    >>> point, _, _ = posterior([16.5, 4.5, 9.1], np.diag([0.5, 1.6, 1.6]) ** 2, [])
    >>> point
    array([16.5, 4.5, 9.1])
    """
    middle = np.asarray(mean, dtype=float)
    spread = np.asarray(covariance, dtype=float)
    if middle.shape != (3,) or spread.shape != (3, 3):
        message = f"mean has shape {middle.shape} and covariance {spread.shape}; expected (3,) and (3, 3)"
        raise InputError(message)
    values, vectors = np.linalg.eigh(spread)
    if not np.all(np.isfinite(middle)) or not np.all(values > 0):
        message = "the prior must be finite with a positive definite covariance"
        raise InputError(message)
    precision = vectors / values @ vectors.T
    if not pieces:
        return np.maximum(middle, 0.0), spread.copy(), np.zeros(0)
    axes = (vectors * np.sqrt(values)).T
    starts = np.maximum(middle + np.concatenate([np.zeros((1, 3)), axes, -axes]), 0.0)

    def residuals(points: Array) -> Array:
        return np.stack([piece.residual(points) for piece in pieces], axis=1)

    def loss(points: Array, deviations: Array) -> Array:
        u = points - middle
        return 0.5 * np.einsum("si,ij,sj->s", u, precision, u) + 0.5 * huber(deviations).sum(axis=1)

    def curvature(points: Array) -> tuple[Array, Array, Array]:
        """Residuals (s, k), gradient (s, 3) and Gauss-Newton matrix (s, 3, 3)."""
        here = residuals(points)
        slope = np.stack([_slope(piece, points) for piece in pieces], axis=2)
        weight = huber_weight(here)
        gradient = np.einsum("sak,sk->sa", slope, weight * here) + (points - middle) @ precision
        matrix = np.einsum("sak,sk,sbk->sab", slope, weight, slope) + precision
        return here, gradient, matrix

    points = starts
    damping = np.full(len(points), 1e-3)
    value = loss(points, residuals(points))
    for _ in range(MAX_STEPS):
        _, gradient, matrix = curvature(points)
        held = (points <= 0.0) & (gradient > 0.0)
        gradient = np.where(held, 0.0, gradient)
        scale = matrix * np.eye(3)
        damped = matrix + damping[:, None, None] * scale
        damped = np.where(held[:, :, None] | held[:, None, :], 0.0, damped) + held[:, :, None] * np.eye(3)
        trial = np.maximum(points - np.linalg.solve(damped, gradient[..., None])[..., 0], 0.0)
        trial_value = loss(trial, residuals(trial))
        better = trial_value < value
        gain = np.where(better, value - trial_value, 0.0)
        points = np.where(better[:, None], trial, points)
        value = np.where(better, trial_value, value)
        damping = np.where(better, np.maximum(damping / 10.0, 1e-9), damping * 10.0)
        if np.all((gain < 1e-10) & (better | (damping > 1e8))):
            break
    best = points[int(np.argmin(value))]
    deviations, _, matrix = curvature(best[None])
    return best, np.linalg.inv(matrix[0]), deviations[0]


def _prior(given: Substance | Estimate | str) -> Substance:
    """Return the substance that a prior is of; one of an estimate has the structure for a name."""
    if isinstance(given, Substance):
        return given
    if isinstance(given, Estimate):
        return _estimated(given, given.hsp.array, given.sd[:3])
    if not isinstance(given, str):
        raise checks.refuse(given, "prior", "a Substance, an Estimate or a SMILES")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)  # it widens the standard deviation
        guess = estimate(given)
    mean, sd = informed([guess.smiles], [guess.hsp.array], [guess.sd[:3]])
    return _estimated(guess, mean[0], sd[0])


def _estimated(guess: Estimate, mean: Array, sd: Array) -> Substance:
    return Substance(guess.smiles, guess.smiles, prior=mean, prior_covariance=sd, volume=float(guess.volume))


def reconcile(prior: Substance | Estimate | str, evidence: Iterable[Evidence | Piece]) -> Reconciled:
    """Reconcile the Hansen parameters of one substance with measured evidence.

    Parameters
    ----------
    prior : Substance, Estimate or str
        A Substance gives its ``prior`` and ``prior_covariance``, what stood before any evidence; an Estimate its values
        and standard deviations; a SMILES is estimated, and moved by what evidence shows about similar structures. [-]
    evidence : iterable of Evidence
        What was measured, or any pieces with the same methods. [-]

    Returns
    -------
    Reconciled
        ``hsp``, ``covariance``, ``residuals``, ``flagged``.

    Raises
    ------
    InputError
        When the prior is none of these, or a piece cannot be read.
    MoleculeError
        When a SMILES cannot be read.

    Examples
    --------
    >>> found = reconcile("CCCCCCCC(=O)OCC", [Evidence.water_solubility(70.1, source="AqSolDB")])
    >>> found.residuals[0].kind, found.flagged
    ('water solubility', ())
    """
    start = _prior(prior)
    pieces: list[Piece] = []
    for item in checks.several(evidence, "evidence", "[Evidence.water_solubility(50, source='supplier sheet')]"):
        piece = item.piece(start) if isinstance(item, Evidence) else item
        if not all(hasattr(piece, name) for name in ("kind", "source", "measured", "residual", "predicted")):
            raise checks.refuse(item, "one of the evidence", "Evidence, such as Evidence.log_p(4.5)")
        pieces.append(piece)
    point, covariance, deviations = posterior(start.prior.array, start.prior_covariance, pieces)
    found = tuple(
        Residual(
            piece.kind,
            float(piece.measured),
            float(piece.predicted(point[None])[0]),
            float(z),
            is_flagged(piece.kind, float(z)),
            piece.source,
        )
        for piece, z in zip(pieces, deviations, strict=True)
    )
    return Reconciled(HSP(*point), covariance, found, start.prior, start.prior_covariance)
