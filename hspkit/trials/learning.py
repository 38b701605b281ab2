"""What bench trials teach about an oil: a posterior over everything that was not known, through the one free energy.

The prior is that of `dissolve`: Gaussian parameters of every substance, a normal misfit of the theory. A trial says in
which of three ranges its margin lies (`hspkit.trials.bench`). The most probable state is found by Gauss-Newton steps in
the margins; around it states are drawn and weighted exactly, so that the answer is not only that of a Gaussian. Only
directions that the trials bear on are touched; in all others the prior stays to the last digit.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import checks
from hspkit.belief import Belief
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.errors import HspkitError, InputError, UnknownNameError
from hspkit.miscibility import check_celsius, check_parts, outcome_chances, stock_margin
from hspkit.oils import Oil, covered, oil
from hspkit.sphere.descent import minimise
from hspkit.trials.bench import LAPSE, Bench, Mix, log_chance
from hspkit.trials.log import TrialLog
from hspkit.trials.trial import OUTCOMES, Trial

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CONTRADICTS", "LearntOil", "Lesson", "Posterior", "Verdict", "infer", "learn", "own_trials"]

Array = NDArray[np.float64]

#: A trial is flagged when everything else together gave its outcome less than this chance.
CONTRADICTS = 0.05
#: States drawn around the most probable one.
DRAWS = 2400
#: How much wider than the Gaussian at the optimum they are drawn in directions that were learnt, so that weights stay
#: bounded.
WIDER = 0.3
#: States about the optimum at which slopes are looked at.
LOOKS = 4
MOST_STEPS = 8


class Posterior(NamedTuple):
    """State after trials: ``mean`` (K,), ``covariance`` (K, K), and for each trial the chance of its outcome.

    ``before`` by the prior alone, ``others`` by the prior and the other trials, ``after`` by all; ``effective`` is how
    many independent draws the weighted ones are worth.
    """

    mean: Array
    covariance: Array
    before: Array
    others: Array
    after: Array
    effective: float


class Verdict(NamedTuple):
    """What became of one trial: chances of the outcome that was seen, and a flag with its reason.

    ``p_before`` and ``p_after`` are what `dissolve` says of the mixture before and after the trials, this one among
    them; ``p_others`` is what everything but this trial says.
    """

    trial: Trial
    p_before: float
    p_others: float
    p_after: float
    flagged: bool
    reason: str


def _optimum(
    bench: Bench, kinds: NDArray[np.intp], edges: Array, own_sd: Array, lapse: float, state: Array
) -> tuple[Array, Array, Array]:
    """Return the most probable state (K,) found from a start, slopes there, curvature of -ln p in each margin (t,)."""
    margin, slope, _ = bench.margin(state)

    def cost(y: Array, z: Array) -> float:
        return float(0.5 * z @ z - log_chance(y, kinds, edges, own_sd, lapse)[0].sum())

    now = cost(margin, state)
    for _ in range(MOST_STEPS):
        base, spread = margin - slope @ state, slope @ slope.T

        def question(weights: Array, base: Array = base, spread: Array = spread) -> tuple[Array, Array, Array]:
            moved = weights @ spread
            chance, first, second = log_chance(base + moved, kinds, edges, own_sd, lapse)
            value = 0.5 * (weights * moved).sum(axis=1) - chance.sum(axis=1)
            bend = spread - np.einsum("ij,mj,jk->mik", spread, second, spread)
            return value, moved - first @ spread, bend

        scale = spread + 1e-9 * np.trace(spread) * np.eye(len(spread))
        start = np.linalg.solve(scale, margin - base)[None]
        far = np.full(len(spread), np.inf)
        target = minimise(question, np.vstack([start, np.zeros_like(start)]), -far, far, steps=60)
        target = slope.T @ target[int(np.argmin(question(target)[0]))]
        share = 1.0
        while share > 0.1:
            there = state + share * (target - state)
            new_margin, new_slope, _ = bench.margin(there)
            value = cost(new_margin, there)
            if value < now:
                break
            share /= 2.0
        else:
            break
        gained, now = now - value, value
        state, margin, slope = there, new_margin, new_slope
        if gained < 1e-3:
            break
    _, first, second = log_chance(margin, kinds, edges, own_sd, lapse)
    return state, slope, np.maximum(-second, 0.0) if np.any(second < 0) else first**2


def _mirrored(rng: np.random.Generator, count: int, size: int) -> Array:
    half = rng.standard_normal((count // 2, size))
    return np.concatenate([half, -half])


def _proposals(
    optima: Sequence[tuple[Array, Array, Array]], axes: Array, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Return draws (m, k) along axes, a third each from about either optimum and from the prior, with their density.

    The density is given as its logarithm, without the constant of the normal distribution. What is drawn is drawn in
    the whole space and then seen along the axes, and stretched by symmetric roots: so the states do not depend on
    which of the equally good axes, and which of their two directions, a processor's linear algebra returns.
    """
    share, size = DRAWS // 3, axes.shape[1]
    drawn, parts = [_mirrored(rng, DRAWS - share * len(optima), size) @ axes.T], []
    for state, slope, bend in optima:
        seen = slope @ axes.T
        values, turn = np.linalg.eigh(np.linalg.inv(np.eye(len(axes)) + seen.T @ (bend[:, None] * seen)))
        values = np.clip(values, 1e-8, 1.0)
        reach = np.sqrt(values) * (1.0 + WIDER * (1.0 - values))
        middle = axes @ state
        drawn.append(middle + ((_mirrored(rng, share, size) @ axes.T @ turn) * reach) @ turn.T)
        parts.append((middle, turn, reach))
    inside = np.concatenate(drawn)
    density = [-0.5 * (inside**2).sum(axis=1)]
    for middle, turn, reach in parts:
        density.append(-0.5 * (((inside - middle) @ turn / reach) ** 2).sum(axis=1) - np.log(reach).sum())
    shares = np.log([len(one) / DRAWS for one in drawn])
    return inside, np.logaddexp.reduce([one + share for one, share in zip(density, shares, strict=True)])


def infer(
    bench: Bench, rows: Sequence[int], kinds: NDArray[np.intp], random_state: int | np.random.Generator | None = 0
) -> Posterior:
    """Return the posterior of a bench's state after trials.

    Parameters
    ----------
    bench : Bench
        Mixtures, those of the trials among them.
    rows : sequence of int, length t
        Which mixes were tried. [-]
    kinds : ndarray of shape (t,)
        Outcomes: 0 clear, 1 hazy, 2 splits. [-]
    random_state : int, Generator or None
        Seed of the draws. [-]
    """
    size = bench.size
    if not len(rows):
        empty = np.empty(0)
        return Posterior(np.zeros(size), np.eye(size), empty, empty, empty, float(DRAWS))
    tried = bench.only(rows)
    edges = tried.haze_edges(kinds > 0)
    before, first_slope, own_sd = tried.margin(np.zeros(size))
    rng = np.random.default_rng(random_state)
    # two places where the truth may be: where no trial is a lapse, and where some are
    optima = [_optimum(tried, kinds, edges, own_sd, LAPSE, np.zeros(size))]
    forced = np.zeros(size)
    for factor in (10.0, 3.0, 1.0):  # a surprise many standard deviations away has no slope to follow otherwise
        found = _optimum(tried, kinds, edges, factor * own_sd, 1e-9, forced)
        forced = found[0]
    optima.append(found)
    # directions that the trials bear on: at the prior, at the optima and about them, because slopes turn
    about = [tried.margin(0.5 * forced + 0.7 * one)[1] for one in _mirrored(rng, LOOKS, size)]
    _, sizes, axes = np.linalg.svd(np.vstack([first_slope, *(slope for _, slope, _ in optima), *about]), False)
    axes = axes[sizes > 0.03 * sizes[0]]
    inside, drawn_density = _proposals(optima, axes, rng)
    rest = _mirrored(rng, DRAWS, size)
    states = inside @ axes + rest - (rest @ axes.T) @ axes
    chances = log_chance(tried.margins(states), kinds, edges, own_sd)[0]
    weight = chances.sum(axis=1) - 0.5 * (inside**2).sum(axis=1) - drawn_density
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    centre = weight @ inside
    away = inside - centre
    spread = (weight[:, None] * away).T @ away
    mean = centre @ axes
    covariance = np.eye(size) + axes.T @ (spread - np.eye(len(axes))) @ axes
    after = weight @ np.exp(chances)
    others = 1.0 / (weight @ np.exp(-chances))  # leaving each trial out by taking its factor from the weights
    total_sd = np.sqrt(own_sd**2 + (first_slope**2).sum(axis=1))
    prior = np.exp(log_chance(before, kinds, edges, total_sd)[0])
    return Posterior(mean, covariance, prior, others, after, float(1.0 / (weight**2).sum()))


@dataclass(frozen=True, eq=False)
class Lesson:
    """What trials have taught.

    Parameters
    ----------
    before : Oil
        The oil as it was known.
    trials : tuple of Trial
        The trials of this oil, oldest first.
    verdicts : tuple of Verdict
        For each trial how likely its outcome was, and whether it contradicts all the rest.
    names : tuple of str
        Substances that the trials bear on, those of the carriers among them. [-]
    hsp, hsp_before : ndarray of shape (n, 3)
        Their parameters after and before. [MPa^0.5]
    covariance : ndarray of shape (3 n, 3 n)
        Covariance after, all substances together. [MPa]
    sd_before : ndarray of shape (n, 3)
        Standard deviations before. [MPa^0.5]
    effective : float
        How many independent draws the answer rests on. [-]
    belief : Belief
        What is left of the uncertainty, for whoever asks about the oil.
    log_notes : tuple of str
        What was taken for granted in reading the log of trials. [-]
    """

    before: Oil
    trials: tuple[Trial, ...]
    verdicts: tuple[Verdict, ...]
    names: tuple[str, ...]
    hsp: Array = field(repr=False)
    hsp_before: Array = field(repr=False)
    covariance: Array = field(repr=False)
    sd_before: Array = field(repr=False)
    effective: float = field(repr=False)
    belief: Belief = field(repr=False)
    log_notes: tuple[str, ...] = field(default=(), repr=False)

    @property
    def flagged(self) -> tuple[Verdict, ...]:
        """Trials that contradict everything else."""
        return tuple(one for one in self.verdicts if one.flagged)

    def spread(self, name: str) -> Array:
        """Return the covariance (3, 3) of one substance after the trials. [MPa]

        Parameters
        ----------
        name : str
            One of `names`. [-]

        Raises
        ------
        UnknownNameError
            When nothing was learnt about it.
        """
        if not isinstance(name, str) or name not in self.names:
            message = f"{checks.said(name)} is not among what was learnt; substances: {', '.join(self.names)}"
            raise UnknownNameError(message)
        at = 3 * self.names.index(name)
        return self.covariance[at : at + 3, at : at + 3]

    @property
    def changes(self) -> pd.DataFrame:
        """One row per substance and part: before, after, their standard deviations, move in units of the one before.

        Sorted by the size of the move.
        """
        import pandas as pd

        sd = np.sqrt(np.diag(self.covariance)).reshape(-1, 3)
        rows = [
            (name, part, *numbers)
            for name, *parts in zip(self.names, self.hsp_before, self.hsp, self.sd_before, sd, strict=True)
            for part, *numbers in zip(("delta_d", "delta_p", "delta_h"), *parts, strict=True)
        ]
        table = pd.DataFrame(rows, columns=["substance", "part", "before", "after", "sd_before", "sd_after"])
        table["moved"] = (table["after"] - table["before"]) / table["sd_before"].where(table["sd_before"] > 0)
        order = table["moved"].abs().sort_values(ascending=False, kind="stable").index
        return table.loc[order].reset_index(drop=True)

    def carrier(self, name: str | Carrier | Blend) -> Carrier | Blend:
        """Return a carrier or blend with the parameters that the trials leave it.

        Trials teach about both liquids in the flask.

        Parameters
        ----------
        name : str, Carrier or Blend
            The carrier. [-]
        """
        liquid = carrier(name)
        if isinstance(liquid, Blend):
            parts = [self.carrier(part) for part in liquid.parts]
            shares = {part: float(share) for part, share in zip(parts, liquid.volume_fractions, strict=True)}
            return Blend(shares, basis="volume", name=liquid.name)
        member = liquid.substance
        if member is None or member.name not in self.names:
            return liquid
        at = self.names.index(member.name)
        taught = member.with_parameters(self.hsp[at], self.spread(member.name), note=self.note)
        return replace(liquid, substance=taught)

    @property
    def note(self) -> str:
        """One line for the notes of what was taught."""
        word = "trial" if len(self.trials) == 1 else "trials"
        return f"parameters after {len(self.trials)} bench {word} of {self.before.name}"

    def compare(
        self,
        carriers: Iterable[str | Carrier | Blend],
        *,
        oil_parts: float = 1,
        carrier_parts: float = 2,
        celsius: float = 25.0,
        random_state: int | np.random.Generator | None = 0,
    ) -> pd.DataFrame:
        """Return, for carriers, the probability of clear before and after the trials, and why it changed.

        Both are what `dissolve` says, of the oil before and of the oil that was learnt. Of a mixture that was tried the
        trial itself counts: p_after then follows from the chance that what was seen is true.

        Parameters
        ----------
        carriers : iterable of str, Carrier or Blend
            Carriers to look at. [-]
        oil_parts, carrier_parts : float
            Parts by volume. [-]
        celsius : float
            Temperature. [degC]
        random_state : int, Generator or None
            Seed. [-]

        Returns
        -------
        DataFrame
            carrier, seen (the outcome where this very mixture was tried), p_before, p_after, margin_before,
            margin_after (ln of the binodal index), sd_before, sd_after, why; best first, what is not for ingestion
            last with its caution in why.

        Raises
        ------
        UnknownNameError
            For an unknown carrier.
        InputError
            When there is no carrier, or a number is out of range.
        """
        import pandas as pd

        liquids = [carrier(one) for one in checks.several(carriers, "carriers", "['triacetin', 'MCT']")]
        if not liquids:
            message = "carriers is empty; give at least one name"
            raise InputError(message)
        oil_parts, carrier_parts = check_parts(oil_parts, carrier_parts)
        celsius = check_celsius(celsius)
        bench = Bench.of(self.before, [Mix(one, oil_parts, carrier_parts, 0.0, celsius) for one in liquids])
        _, slope, _ = bench.margin(bench.state_of(self.belief))
        shift = slope * bench.state_of(self.belief)
        after = replace(self.before, belief=self.belief)
        oil_names = {member.name for member in self.before.substances}
        table = []
        for row, (liquid, mix) in enumerate(zip(liquids, bench.mixes, strict=True)):
            by = {name: float(shift[row, 3 * at : 3 * at + 3].sum()) for at, name in enumerate(bench.names)}
            by[f"the theory in {liquid.name}"] = float(shift[row, 3 * len(bench.names) :].sum())
            (first, p_first), (last, p_last) = (
                stock_margin(one, liquid, oil_parts, carrier_parts, celsius=celsius, random_state=random_state)
                for one in (self.before, after)
            )
            tried = self.belief.outcome_of(mix.key)
            seen = "" if tried is None else tried.outcome
            why = " ".join(filter(None, [_warning(liquid), _why(by, oil_names, first.sd, last.sd)]))
            table.append((liquid.name, seen, p_first, p_last, first.mean, last.mean, first.sd, last.sd, why))
        columns = [
            "carrier",
            "seen",
            "p_before",
            "p_after",
            "margin_before",
            "margin_after",
            "sd_before",
            "sd_after",
            "why",
        ]
        frame = pd.DataFrame(table, columns=columns)
        barred = np.array([liquid.not_for_ingestion for liquid in liquids], dtype=bool)
        return frame.iloc[np.lexsort((-frame["p_after"], barred))].reset_index(drop=True)

    def report(self) -> str:
        """Return the lesson in sentences: each trial, what moved, what contradicts."""
        lines = [
            f"{one.trial.sentence()}: chance {one.p_before:.2f} before, {one.p_after:.2f} now."
            + (f" {one.reason}" if one.flagged else "")
            for one in self.verdicts
        ]
        moved = self.changes
        for row in moved[moved["moved"].abs() > 0.1].head(5).to_dict("records"):
            lines.append(
                f"{row['part']} of {row['substance']} {row['before']:.2f} -> {row['after']:.2f}"
                f" ({row['moved']:+.1f} standard deviations; now +-{row['sd_after']:.2f})."
            )
        return "\n".join([*lines, *filter(None, [self.before.coverage]), *self.log_notes])


def _warning(liquid: Carrier | Blend) -> str:
    """Return the caution of a liquid that is not for ingestion; empty for any other."""
    return " ".join(part.caution for part in liquid.parts if part.not_for_ingestion)


def _why(by: dict[str, float], oil_names: set[str], sd_before: float, sd_after: float) -> str:
    strongest = sorted(by.items(), key=lambda item: -abs(item[1]))[:2]
    told = [
        f"{name} {'of the oil ' if name in oil_names else ''}makes it {'clearer' if move < 0 else 'cloudier'}"
        for name, move in strongest
        if abs(move) > 0.1 * sd_before
    ]
    if sd_after < 0.9 * sd_before:
        told.append(f"uncertainty of the margin {sd_before:.2f} -> {sd_after:.2f}")
    return "; ".join(told) or "the trials say little about it"


@dataclass(frozen=True, eq=False, repr=False)
class LearntOil(Oil):
    """An oil with the parameters that trials leave its components; `lesson` says what was learnt.

    Examples
    --------
    >>> taught = learn("limonene", [Trial("glycerol", "clear")])
    >>> taught.lesson.flagged[0].trial.carrier
    'glycerol'
    """

    lesson: Lesson = field(default=None, repr=False)  # type: ignore[assignment]


def _mix(trial: Trial) -> Mix:
    return Mix(trial.liquid, trial.oil_parts, trial.carrier_parts, trial.water_parts, trial.celsius)


def _kinds(trials: Sequence[Trial]) -> NDArray[np.intp]:
    return np.array([OUTCOMES.index(one.outcome) for one in trials], dtype=np.intp)


def own_trials(subject: Oil, trials: Iterable[Trial]) -> tuple[Trial, ...]:
    """Return the trials of one oil: those that name it, in any spelling that `hspkit.oil` knows, or name none."""
    found = []
    for one in checks.several(trials, "trials", "[Trial('triacetin', 'clear')], or a TrialLog"):
        if not isinstance(one, Trial):
            message = f"{checks.said(one)} is no Trial; expected Trial(carrier, outcome, ...) or a TrialLog"
            raise InputError(message)
        name = one.oil
        if name and name.lower() != subject.name.lower():
            try:
                name = oil(name).name
            except HspkitError:
                continue  # an oil of the user's own, and another one
        if not name or name.lower() == subject.name.lower():
            found.append(one)
    return tuple(found)


def learn(
    oil_or_name: Oil | str,
    trials: Iterable[Trial] | TrialLog,
    *,
    random_state: int | np.random.Generator | None = 0,
) -> LearntOil:
    """Return an oil as bench trials teach it.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil. An oil that was learnt before keeps its earlier trials. [-]
    trials : iterable of Trial, or TrialLog
        Trials; those that name another oil are left out. [-]
    random_state : int, Generator or None
        Seed of the draws. [-]

    Returns
    -------
    LearntOil
        The oil with new parameters and covariances of its components, fit for every function that takes an oil; its
        `lesson` tells what changed, names trials that contradict everything else, and has what was learnt about the
        carriers.

    Raises
    ------
    InputError
        When there is no trial of this oil, or no molecule stands for a carrier.

    Notes
    -----
    Components are correlated after a trial; `Oil.belief` holds that, and `dissolve` and all that ask it draw from it.
    The `covariance` of a component is its own share only.

    Examples
    --------
    >>> taught = learn("sweet orange, cold-pressed", [Trial("propylene glycol", "splits", 1, 2)])
    >>> taught.lesson.verdicts[0].flagged
    False
    """
    subject, random_state = covered(oil_or_name), checks.random_state(random_state)
    given = own_trials(subject, trials)
    if isinstance(subject, LearntOil) and subject.mass_percent == subject.lesson.before.mass_percent:
        given = (*subject.lesson.trials, *given)
        subject = subject.lesson.before
    else:
        subject = replace(subject, belief=None)
    if not given:
        message = f"no trial of {subject.name!r} among those given; expected one that names it, or no oil"
        raise InputError(message)
    bench = Bench.of(subject, [_mix(one) for one in given])
    kinds = _kinds(given)
    found = infer(bench, range(len(given)), kinds, random_state)
    n = len(bench.names)
    hsp = bench.points(found.mean)
    root = np.zeros((3 * n, 3 * n))
    for at in range(n):
        root[3 * at : 3 * at + 3, 3 * at : 3 * at + 3] = bench.root[at]
    covariance = root @ found.covariance[: 3 * n, : 3 * n] @ root.T
    sd_before = np.sqrt(np.einsum("nij,nij->ni", bench.root, bench.root))
    seen = [(_mix(one), one.outcome, float(others)) for one, others in zip(given, found.others, strict=True)]
    belief = bench.belief(found.mean, found.covariance, seen)
    after = replace(subject, belief=belief)
    verdicts = tuple(
        Verdict(
            one, _said(subject, one, prior), float(others), _said(after, one, now), *_flag(row, given, float(others))
        )
        for row, (one, prior, others, now) in enumerate(
            zip(given, found.before, found.others, found.after, strict=True)
        )
    )
    read = trials.notes if isinstance(trials, TrialLog) else ()
    lesson = Lesson(
        subject, given, verdicts, bench.names, hsp, bench.mean, covariance, sd_before, found.effective, belief, read
    )
    members = []
    for member in subject.substances:
        if member.name not in bench.names:
            members.append(member)
            continue
        at = bench.names.index(member.name)
        members.append(member.with_parameters(hsp[at], lesson.spread(member.name), note=lesson.note))
    values = {one.name: getattr(subject, one.name) for one in fields(Oil)}
    values["substances"] = tuple(members)
    values["belief"] = belief
    values["notes"] = (*subject.notes, lesson.note, *(one.reason for one in lesson.flagged))
    return LearntOil(**values, lesson=lesson)


def _said(subject: Oil, trial: Trial, otherwise: float) -> float:
    """Return the chance that `dissolve` gives the outcome of a trial; of what may crystallise that of the liquids."""
    liquid, oil_parts, carrier_parts, water_parts, celsius = _mix(trial)
    chances = outcome_chances(subject, liquid, oil_parts, carrier_parts, water_parts=water_parts, celsius=celsius)
    chance = chances[trial.outcome]
    return float(otherwise) if np.isnan(chance) else chance


def _flag(row: int, trials: Sequence[Trial], others: float) -> tuple[bool, str]:
    own = trials[row]
    for at, other in enumerate(trials):
        same = (other.carrier, other.oil_parts, other.carrier_parts, other.water_parts, other.celsius) == (
            (own.carrier, own.oil_parts, own.carrier_parts, own.water_parts, own.celsius)
        )
        if same and other.outcome != own.outcome:
            return True, f"Trial {row + 1} ({own.sentence()}) was {other.outcome} in trial {at + 1}: repeat it."
    if others < CONTRADICTS:
        cause = "the tables and the other trials" if len(trials) > 1 else "the tables"
        return True, (
            f"Trial {row + 1} ({own.sentence()}) contradicts {cause}, which gave it a chance of {others:.2f}:"
            " check the bottle and repeat it."
        )
    return False, ""
