"""`SphereFit`: from liquids and what became of the solute in them to centre and radius."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import checks, hansen
from hspkit.errors import InputError
from hspkit.hansen import HSP
from hspkit.sphere import optimum as published
from hspkit.sphere import posterior, soft_edge
from hspkit.sphere.descent import minimise
from hspkit.sphere.optimum import Copies

__all__ = ["BOUNDS", "MOST_RADIUS", "OUTCOMES", "Misplaced", "SphereFit", "desirability"]

Array = NDArray[np.float64]

#: The words for what is seen at the bench, from one phase to two.
OUTCOMES = ("clear", "hazy", "splits")
CRITERIA = ("desirability", "likelihood")
#: Where a centre is sought unless bounds are given: wider than all common liquids, water among them [MPa^0.5].
BOUNDS = ((10.0, 25.0), (0.0, 30.0), (0.0, 45.0))
#: Largest R0 that intervals think possible [MPa^0.5]: twice what the theory gives two liquids of 100 cm3/mol
#: (`miscibility.interaction_radius`).
MOST_RADIUS = 34.0
#: Spheres whose mean errors differ by less than this count as equally good [MPa^0.5].
TIE = 1e-9
#: A fit is called unique when the equally good spheres differ by less than this [MPa^0.5].
UNIQUE = 0.1
_STRETCH = np.array([2.0, 1.0, 1.0])
_PARTS = ("delta_d", "delta_p", "delta_h")


class Misplaced(NamedTuple):
    """A trial on the wrong side of the sphere.

    Attributes
    ----------
    row : int
        Its row in what was given, counted from 0. [-]
    name : str
        Its name, or "trial 4" for row 3. [-]
    outcome : str
        What was seen. [-]
    distance : float
        Ra to the centre. [MPa^0.5]
    error : float
        How far it lies on the wrong side; for a hazy trial, how far from the surface. [MPa^0.5]
    reason : str
        In words, with the trial that it contradicts most. [-]
    """

    row: int
    name: str
    outcome: str
    distance: float
    error: float
    reason: str


def _kinds(outcomes: ArrayLike | Sequence[str]) -> NDArray[np.intp]:
    words = checks.several(outcomes, "outcomes", "['clear', 'splits']")
    found = np.empty(len(words), dtype=np.intp)
    for row, given in enumerate(words):
        word = given.strip().lower() if isinstance(given, str) else given
        if not isinstance(word, str) or word not in OUTCOMES:
            message = f"row {row}: outcome is {given!r}; expected one of the words {', '.join(OUTCOMES)}"
            raise InputError(message)
        found[row] = OUTCOMES.index(word)
    return found


def _points(hsp: Any) -> Array:
    if hasattr(hsp, "columns"):
        missing = [part for part in _PARTS if part not in hsp.columns]
        if missing:
            message = f"hsp lacks the columns {', '.join(missing)}; expected {', '.join(_PARTS)}"
            raise InputError(message)
        return _possible(np.column_stack([checks.array(hsp[part], part, "(n,)") for part in _PARTS]))
    if isinstance(hsp, HSP):
        hsp = [hsp]
    if not isinstance(hsp, np.ndarray):
        rows = checks.several(hsp, "hsp", "[[17.2, 1.8, 4.3]]")
        hsp = [one.array if isinstance(one, HSP) else one for one in rows]
    points = checks.array(hsp, "hsp", "(n, 3)")
    if points.ndim != 2 or points.shape[1] != 3:
        message = f"hsp has shape {points.shape}; expected (n, 3) in the order delta_d, delta_p, delta_h"
        raise InputError(message)
    return _possible(points)


def _possible(points: Array) -> Array:
    """Refuse parameters beyond nature; one that is not finite makes its row unknown."""
    far = np.isfinite(points) & (np.abs(points) > checks.MOST_HSP)
    if far.any():
        message = f"hsp holds {points[far][0]:g}; expected at most {checks.MOST_HSP:g} MPa^0.5"
        raise InputError(message)
    return points


def _errors(apart: Array, kinds: NDArray[np.intp], radius: float) -> Array:
    over = apart - radius
    return np.select([kinds == 0, kinds == 2], [np.maximum(over, 0.0), np.maximum(-over, 0.0)], 0.5 * np.abs(over))


def desirability(center: HSP | ArrayLike, radius: float, hsp: Any, outcomes: ArrayLike | Sequence[str]) -> float:
    """Return the published desirability of a sphere, (prod A_i)^(1/n) with A_i = exp(-error_i).

    Parameters
    ----------
    center : HSP or array_like of shape (3,)
        Centre of the sphere. [MPa^0.5]
    radius : float
        R0. [MPa^0.5]
    hsp : array_like of shape (n, 3), sequence of HSP, or DataFrame
        Liquids tried. [MPa^0.5]
    outcomes : sequence of str, length n
        "clear", "hazy" or "splits". A trial on the wrong side has the error |Ra - R0|, one on the right side 0; a hazy
        one half of |Ra - R0| on either side, as the geometric mean of a clear and a split one would. [-]

    Returns
    -------
    float
        1 when every trial is on its side. [-]

    Raises
    ------
    InputError
        For an unknown word or a shape that does not fit.

    References
    ----------
    Durkee, Cleaning with Solvents, 2014, app. C1, eq. C1-1; in the form without a size factor. Hazy trials: ours.

    Examples
    --------
    Three right and one misplaced by 1.0, so exp(-1/4):

    >>> tried = [[16, 4, 4], [16, 6, 4], [16, 4, 20], [16, 4, 13]]
    >>> desirability([16, 4, 4], 8.0, tried, ["clear", "clear", "splits", "clear"])
    0.7788
    """
    points, kinds = _points(hsp), _kinds(outcomes)
    if len(points) != len(kinds):
        message = f"hsp has {len(points)} rows and outcomes {len(kinds)}; expected as many"
        raise InputError(message)
    apart = np.atleast_1d(hansen.distance(points, center))
    return float(np.exp(-_errors(apart, kinds, float(radius)).mean()))


class SphereFit:
    """Fit a solubility sphere to trials.

    Parameters
    ----------
    random_state : int, Generator or None
        Seed of the draws behind `interval`, `spheres` and `predict_proba`. The fit itself is not random. [-]
    criterion : {"desirability", "likelihood"}
        What the best sphere maximises. "desirability": the published function (`hspkit.sphere.desirability`); the
        optimum is global and proved to `gap_`; when several spheres misplace nothing, the one that keeps farthest from
        every trial. "likelihood": the soft edge of `hspkit.sphere.soft_edge`, for trials that contradict each
        other. [-]
    bounds : sequence of three (float, float), optional
        Where the centre may be, for delta_d, delta_p, delta_h; default `BOUNDS`, widened to the trials. [MPa^0.5]

    Attributes
    ----------
    center_ : ndarray of shape (3,)
        Centre. [MPa^0.5]
    radius_ : float
        R0. [MPa^0.5]
    misplaced_ : tuple of Misplaced
        Trials on the wrong side, worst first, with reasons.
    desirability_ : float
        The published desirability, whatever the criterion. [-]
    log_likelihood_ : float
        With the most probable softness for criterion "likelihood"; NaN otherwise. [-]
    softness_ : float
        Width of the edge, for criterion "likelihood"; NaN otherwise. [MPa^0.5]
    gap_ : float
        How much smaller the mean error of some other sphere could be at most, by proof; NaN for "likelihood". [MPa^0.5]
    tied_ : ndarray of shape (m, 4)
        Spheres as desirable as the best: centres on lattices around it, and their middle radii. [MPa^0.5]
    radius_range_ : tuple of float
        Radii that are equally good at `center_`. [MPa^0.5]
    unique_ : bool
        Whether the equally good spheres are one to within `UNIQUE`. [-]
    notes_ : tuple of str
        What to know: a region fits, rows skipped, no split trial, the centre stands at a bound. [-]
    bounds_ : ndarray of shape (3, 2)
        Bounds used. [MPa^0.5]
    trials_ : dict of int to (ndarray of shape (3,), str)
        Trials used: parameters and outcome by row. [MPa^0.5]

    Notes
    -----
    With k clear trials the best radius for a centre lies between the k-th and (k+1)-th smallest distance, so only the
    centre is sought: by descents from a lattice, then by branch and bound, which proves it.

    References
    ----------
    Durkee, Cleaning with Solvents, 2014, app. C1 (desirability). F. Gharagheizi, J. Appl. Polym. Sci. 103 (2007) 31
    (its use as a target of optimisation; from memory).

    Examples
    --------
    >>> tried = [[16, 4, 4], [16, 6, 4], [17, 4, 9], [16, 4, 20], [15, 16, 4], [20, 12, 14]]
    >>> seen = ["clear", "clear", "clear", "splits", "splits", "splits"]
    >>> fit = SphereFit(random_state=0).fit(tried, seen)
    >>> fit.desirability_, fit.misplaced_, fit.unique_
    (1.0, (), False)
    """

    center_: Array
    radius_: float
    misplaced_: tuple[Misplaced, ...]
    desirability_: float
    log_likelihood_: float
    softness_: float
    gap_: float
    tied_: Array
    radius_range_: tuple[float, float]
    unique_: bool
    notes_: tuple[str, ...]
    bounds_: Array
    trials_: dict[int, tuple[Array, str]]
    classes_ = OUTCOMES

    def __init__(
        self,
        random_state: int | np.random.Generator | None = None,
        *,
        criterion: str = "desirability",
        bounds: Sequence[tuple[float, float]] | None = None,
    ) -> None:
        self.random_state = random_state
        self.criterion = criterion
        self.bounds = bounds

    def get_params(self, deep: bool = True) -> dict[str, Any]:
        """Return the parameters of the constructor.

        Parameters
        ----------
        deep : bool
            Without effect; scikit-learn passes it. [-]
        """
        return {"random_state": self.random_state, "criterion": self.criterion, "bounds": self.bounds}

    def set_params(self, **params: Any) -> SphereFit:
        """Set parameters of the constructor and return self.

        Raises
        ------
        InputError
            For a name that the constructor does not have.
        """
        for name, value in params.items():
            if name not in self.get_params():
                message = f"no parameter {name!r}; expected one of {', '.join(self.get_params())}"
                raise InputError(message)
            setattr(self, name, value)
        return self

    def __repr__(self) -> str:
        return f"SphereFit(random_state={self.random_state!r}, criterion={self.criterion!r}, bounds={self.bounds!r})"

    def fit(self, hsp: Any, outcomes: ArrayLike | Sequence[str], *, names: Sequence[str] | None = None) -> SphereFit:
        """Fit the sphere and return self.

        Parameters
        ----------
        hsp : array_like of shape (n, 3), sequence of HSP, or DataFrame with delta_d, delta_p, delta_h
            Liquids tried. A row that is not finite is skipped and noted. [MPa^0.5]
        outcomes : sequence of str, length n
            "clear", "hazy" or "splits". [-]
        names : sequence of str, length n, optional
            Names of the liquids, for the reasons. [-]

        Raises
        ------
        InputError
            For an unknown word, shapes that do not fit, bad bounds, or when no trial is clear or hazy.
        """
        checks.choice(self.criterion, "criterion", CRITERIA)
        checks.random_state(self.random_state)
        if names is not None:
            names = checks.several(names, "names", "['acetone', 'hexane']")
        points, kinds = _points(hsp), _kinds(outcomes)
        if len(points) != len(kinds) or (names is not None and len(names) != len(kinds)):
            counts = f"hsp has {len(points)} rows, outcomes {len(kinds)}"
            message = counts + (f", names {len(names)}" if names is not None else "") + "; expected as many"
            raise InputError(message)
        finite = np.isfinite(points).all(axis=1)
        rows = np.flatnonzero(finite)
        labels = [f"trial {row + 1}" if names is None else str(names[int(row)]) for row in rows]
        self.names_ = dict(zip(rows.tolist(), labels, strict=True))
        notes = [f"row {row} skipped: its parameters are not finite" for row in np.flatnonzero(~finite)]
        points, kinds = points[finite], kinds[finite]
        if not np.any(kinds < 2):
            message = "no trial is clear or hazy, so any place could be the centre; expected at least one that is"
            raise InputError(message)
        self.bounds_ = self._bounds(points)
        self.trials_ = {int(row): (point, OUTCOMES[kind]) for row, point, kind in zip(rows, points, kinds, strict=True)}
        self._points, self._sorted_kinds = points * _STRETCH, kinds
        self._width = soft_edge.HAZY_WIDTH if np.any(kinds == 1) else 0.0
        self._draws: Array | None = None
        low, high = self.bounds_[:, 0] * _STRETCH, self.bounds_[:, 1] * _STRETCH
        copies = Copies.of(self._points, kinds)
        if self.criterion == "desirability":
            centre, radius = self._most_desirable(copies, low, high)
        else:
            centre, radius = self._most_likely(copies, low, high)
        if not np.any(kinds > 0):
            notes.append("no trial splits: the radius is that of the smallest sphere around them, a lower limit")
        self.center_, self.radius_ = centre / _STRETCH, float(radius)
        apart = np.sqrt(((self._points - centre) ** 2).sum(axis=1))
        errors = _errors(apart, kinds, self.radius_)
        self.desirability_ = float(np.exp(-errors.mean()))
        self.misplaced_ = self._misplaced(apart, errors, rows, labels)
        self._ties(copies, low, high, notes)
        at_bound = [
            part
            for part, value, (bottom, top) in zip(_PARTS, self.center_, self.bounds_, strict=True)
            if value - bottom < 1e-6 or top - value < 1e-6
        ]
        if at_bound:
            notes.append(f"the centre stands at a bound of {', '.join(at_bound)}: trials beyond it are missing")
        self.notes_ = tuple(notes)
        return self

    def _bounds(self, points: Array) -> Array:
        if self.bounds is None:
            given = np.array(BOUNDS)
            return np.column_stack(
                [
                    np.minimum(given[:, 0], np.maximum(points.min(axis=0), 0.0)),
                    np.maximum(given[:, 1], points.max(axis=0)),
                ]
            )
        given = checks.array(self.bounds, "bounds", "(3, 2)")
        possible = given.shape == (3, 2) and np.all(np.abs(given) <= checks.MOST_HSP)
        if not possible or np.any(given[:, 0] >= given[:, 1]):
            raise checks.refuse(self.bounds, "bounds", "three (low, high) with low < high in MPa^0.5")
        return given

    def _most_desirable(self, copies: Copies, low: Array, high: Array) -> tuple[Array, float]:
        self.softness_ = self.log_likelihood_ = float("nan")
        if np.all(copies.clear):
            self.gap_ = 0.0
            return published.enclosing(copies.points, low, high)
        best = published.optimum(copies, low, high)
        self.gap_ = best.gap
        if best.error > 0.0 or np.any(self._sorted_kinds == 1):
            return best.centre, best.radius
        found = published.widest(copies, np.append(best.centre, best.radius), low, high)
        return found[:3], float(found[3])

    def _most_likely(self, copies: Copies, low: Array, high: Array) -> tuple[Array, float]:
        self.gap_ = float("nan")
        starts = published.starts(copies, low, high)
        radius = np.mean(published.best_radius(starts, copies), axis=0)
        edges = np.log(soft_edge.SOFTNESS) + np.array([0.0, 1.2])
        spheres = np.vstack([np.column_stack([starts, radius, np.full(len(starts), edge)]) for edge in edges])
        question = soft_edge.problem(self._points, self._sorted_kinds, self._width)
        bottom, top = np.append(low, [0.0, -6.0]), np.append(high, [2.0 * MOST_RADIUS, 6.0])
        spheres = minimise(question, spheres, bottom, top, steps=25)
        best = spheres[np.argsort(question(spheres)[0], kind="stable")[:3]]
        best = minimise(question, best, bottom, top, steps=80)
        best = best[int(np.argmin(question(best)[0]))]
        # a centre on a clear trial stands on a kink, where radius and softness are left a little short
        held = minimise(question, best[None], np.append(best[:3], bottom[3:]), np.append(best[:3], top[3:]), steps=80)
        best = held[0]
        self.softness_ = float(np.exp(best[4]))
        self.log_likelihood_ = float(
            soft_edge.log_likelihood(best[None], self._points, self._sorted_kinds, self._width)[0]
        )
        return best[:3], float(best[3])

    def _ties(self, copies: Copies, low: Array, high: Array, notes: list[str]) -> None:
        """Look around the centre for spheres as good as the best."""
        centre = self.center_ * _STRETCH
        smallest, largest = published.best_radius(centre[None], copies)
        self.radius_range_ = (float(smallest[0]), float(largest[0]))
        only = np.append(self.center_, self.radius_)[None]
        self.tied_, self.unique_ = only, True
        if self.criterion == "likelihood":
            return
        if np.all(copies.clear):
            self.radius_range_ = (float(smallest[0]), float("inf"))
            self.unique_ = False
            return
        found = [centre[None]]
        steps = np.stack(np.meshgrid(*[np.linspace(-1, 1, 7)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
        least = published.exact_error(centre[None], copies)[0]
        for reach in 0.05 * 2.0 ** np.arange(10):
            around = np.clip(centre + reach * steps, low, high)
            equal = around[published.mean_error(around, copies) <= least + TIE]
            if not len(equal) and reach > 1.0:
                break
            found.append(equal)
        centres = np.unique(np.vstack(found), axis=0)
        radii = np.mean(published.best_radius(centres, copies), axis=0)
        self.tied_ = np.column_stack([centres / _STRETCH, radii])
        spread = np.ptp(self.tied_, axis=0)
        self.unique_ = bool(max(spread.max(), self.radius_range_[1] - self.radius_range_[0]) < UNIQUE)
        if not self.unique_:
            spans = [
                f"{name} {bottom:.1f} to {top:.1f}"
                for name, bottom, top in zip(
                    (*_PARTS, "radius"), self.tied_.min(axis=0), self.tied_.max(axis=0), strict=True
                )
            ]
            notes.append("a whole region of spheres is equally good, at least " + ", ".join(spans))

    def _misplaced(
        self, apart: Array, errors: Array, rows: NDArray[np.intp], labels: list[str]
    ) -> tuple[Misplaced, ...]:
        found = []
        kinds = self._sorted_kinds
        hazy_slack = np.where(kinds == 1, 1e-6, 1e-9)  # nobody can hit a surface exactly
        for at in np.argsort(-errors, kind="stable"):
            if errors[at] <= hazy_slack[at]:
                break
            off = apart[at] - self.radius_
            word = OUTCOMES[kinds[at]]
            side = "outside" if off > 0 else "within"
            reason = f"{labels[at]} is {word}" if word != "splits" else f"{labels[at]} splits"
            reason += f" but lies {abs(off):.2f} {side} R0 (Ra {apart[at]:.2f}, R0 {self.radius_:.2f})"
            # nearer to the centre and worse, or farther and better: that trial says the opposite
            rivals = (
                np.flatnonzero((kinds > kinds[at]) & (apart < apart[at]))
                if off > 0
                else np.flatnonzero((kinds < kinds[at]) & (apart > apart[at]))
            )
            if rivals.size:
                away = np.sqrt(((self._points[rivals] - self._points[at]) ** 2).sum(axis=1))
                rival = int(rivals[np.argmin(away)])
                seen = OUTCOMES[kinds[rival]]
                seen = seen if seen == "splits" else f"is {seen}"
                where = "nearer to" if off > 0 else "farther from"
                reason += f"; {labels[rival]}, {away.min():.2f} from it and {where} the centre, {seen}"
            error = float(abs(off))
            found.append(Misplaced(int(rows[at]), labels[at], word, float(apart[at]), error, reason))
        return tuple(found)

    # --- what the trials leave open ---

    def _sampled(self) -> Array:
        self._need_fit()
        if self._draws is None:
            low, high = self.bounds_[:, 0] * _STRETCH, self.bounds_[:, 1] * _STRETCH
            self._draws = posterior.draws(
                self._points, self._sorted_kinds, self._width, low, high, MOST_RADIUS, self.random_state
            )
        return self._draws

    def _need_fit(self) -> None:
        if not hasattr(self, "center_"):
            message = "this SphereFit has not seen trials; call fit(hsp, outcomes) first"
            raise InputError(message)

    def spheres(self) -> Array:
        """Return spheres that the trials allow, as often as they deserve.

        Returns
        -------
        ndarray of shape (m, 5)
            delta_d, delta_p, delta_h of the centre, radius, softness of the edge. [MPa^0.5]
        """
        drawn = self._sampled().copy()
        drawn[:, :3] /= _STRETCH
        drawn[:, 4] = np.exp(drawn[:, 4])
        return drawn

    def interval(self, level: float = 0.9) -> Array:
        """Return intervals for centre and radius: equal tails of the spheres that the trials allow.

        Parameters
        ----------
        level : float
            Share of cases in which an interval holds the truth. [-]

        Returns
        -------
        ndarray of shape (4, 2)
            Low and high of delta_d, delta_p, delta_h and R0. With few trials the best sphere itself may stand outside:
            it is the best of many, not the middle of them. [MPa^0.5]

        Raises
        ------
        InputError
            When level is not between 0 and 1.

        Notes
        -----
        Measured coverage stands in docs/learning.md, with that of the profile likelihood beside it.
        """
        level = checks.between(level, "level", 0, 1, "a share between 0 and 1, such as 0.9")
        tails = [50.0 * (1.0 - level), 50.0 * (1.0 + level)]
        return np.percentile(self.spheres()[:, :4], tails, axis=0).T

    def predict_proba(self, hsp: Any) -> Array:
        """Return probabilities of `clear`, `hazy`, `splits` for other liquids, shape (m, 3). [-]

        Averaged over the spheres that the trials allow, so few trials give cautious answers.

        Parameters
        ----------
        hsp : array_like of shape (m, 3), sequence of HSP, or DataFrame
            Liquids. [MPa^0.5]
        """
        drawn = self._sampled()[::4]
        points = _points(hsp) * _STRETCH
        apart = published.distances(points, drawn[:, :3])
        return soft_edge.probabilities(apart, drawn[:, 3], np.exp(drawn[:, 4]), self._width).mean(axis=1)

    def predict(self, hsp: Any) -> NDArray[np.object_]:
        """Return the most probable outcome of other liquids as words, shape (m,).

        Parameters
        ----------
        hsp : array_like of shape (m, 3), sequence of HSP, or DataFrame
            Liquids. [MPa^0.5]
        """
        return np.array(OUTCOMES, dtype=object)[self.predict_proba(hsp).argmax(axis=1)]
