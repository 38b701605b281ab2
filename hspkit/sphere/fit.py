"""`SphereFit`: from liquids and what became of the solute in them to centre and radius."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import checks
from hspkit.errors import InputError
from hspkit.parameters import Fitted
from hspkit.sphere import optimum as published
from hspkit.sphere import posterior, soft_edge
from hspkit.sphere.descent import minimise
from hspkit.sphere.optimum import Copies
from hspkit.sphere.trials import OUTCOMES, PARTS, errors_of, kinds_of, points_of

__all__ = ["BOUNDS", "MOST_RADIUS", "Misplaced", "SphereFit"]

Array = NDArray[np.float64]

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


class SphereFit(Fitted):
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
        points, kinds = points_of(hsp), kinds_of(outcomes)
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
        errors = errors_of(apart, kinds, self.radius_)
        self.desirability_ = float(np.exp(-errors.mean()))
        self.misplaced_ = self._misplaced(apart, errors, rows, labels)
        self._ties(copies, low, high, notes)
        at_bound = [
            part
            for part, value, (bottom, top) in zip(PARTS, self.center_, self.bounds_, strict=True)
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
                    (*PARTS, "radius"), self.tied_.min(axis=0), self.tied_.max(axis=0), strict=True
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
        points = points_of(hsp) * _STRETCH
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
