"""Which trial to run next: the one from which most is expected to be learnt about the decision at hand.

States are drawn from what is known (prior and trials so far). In each state every planned mixture has its margin, so
every trial has its outcome and every decision its right answer. What a trial is worth is the mutual information of its
outcome and that answer, in bits: not of the outcome and everything, because much that could be learnt decides nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hspkit import checks
from hspkit.belief import root_of, seed_of
from hspkit.carriers import NOT_LISTED, Blend, Carrier, carrier, check_distinct
from hspkit.errors import InputError
from hspkit.miscibility import check_celsius, check_parts, stock_margin
from hspkit.oils import Oil, covered
from hspkit.trials.bench import LAPSE, Bench, Mix
from hspkit.trials.learning import learn, own_trials
from hspkit.trials.log import TrialLog
from hspkit.trials.trial import Trial

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["DECISIONS", "NextTrial", "Plan", "expected_gain", "mixes_of", "next_trial", "plan"]

Array = NDArray[np.float64]

#: What may be decided: which carriers are clear; the first of them, in the order given, that is clear; or the one with
#: most in hand (the smallest binodal index).
DECISIONS = ("clear", "first", "most")
#: States drawn; a gain is then good to about 0.02 bits.
DRAWS = 4000
#: A gain below this is within the noise of the draws [bits].
NOISE = 0.02
#: Carrier per oil, relative to the ratio of the decision, and water per oil and carrier, that are tried by default.
RATIOS = (0.5, 1.0, 2.0)
#: Nothing is tried that is further from the ratio of the decision [-]; judgement, for a slip of the keyboard.
MOST_RATIO = 1000.0
WATER = (0.0, 0.05, 0.2)


def expected_gain(answer: NDArray[np.intp], clear: NDArray[np.bool_], weights: Array) -> tuple[Array, Array]:
    """Return what trials are expected to tell about an answer.

    Parameters
    ----------
    answer : ndarray of shape (m,)
        The right answer in each state, numbered from 0. [-]
    clear : ndarray of shape (m, t)
        Whether each trial is clear in each state. [-]
    weights : ndarray of shape (m,)
        Weights of the states; they sum to 1. [-]

    Returns
    -------
    bits : ndarray of shape (t,)
        Mutual information of outcome and answer, corrected for the finite number of states (Miller and Madow). [bits]
    right : ndarray of shape (t,)
        Expected probability that the likeliest answer is right after the trial. [-]

    Examples
    --------
    A trial that tells which of two, and one that tells nothing:

    >>> answer = np.array([0, 0, 1, 1] * 500)
    >>> clear = np.array([[True, True], [True, False], [False, True], [False, False]] * 500)
    >>> bits, right = expected_gain(answer, clear, np.full(2000, 1 / 2000))
    >>> (bits > 0.9).tolist(), right.round(2)
    ([True, False], array([0.99, 0.5 ]))
    """
    choices = np.zeros((answer.size, int(answer.max()) + 1))
    choices[np.arange(answer.size), answer] = weights
    by_answer = choices.sum(axis=0)
    is_clear = clear.T.astype(float) @ choices  # (t, answers)
    joint = np.stack([is_clear, by_answer - is_clear], axis=1)
    joint = (1.0 - 2.0 * LAPSE) * joint + LAPSE * by_answer
    by_outcome = joint.sum(axis=2, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(joint > 0, joint * np.log2(joint / (by_outcome * by_answer)), 0.0)
    effective = 1.0 / (weights**2).sum()
    bias = ((by_answer > 0).sum() - 1) / (2.0 * np.log(2.0) * effective)
    return np.maximum(terms.sum(axis=(1, 2)) - bias, 0.0), joint.max(axis=2).sum(axis=1)


@dataclass(frozen=True, eq=False)
class Plan:
    """Drawn states of one oil with mixtures that may be tried and those that the decision is about.

    ``mixes`` (t,); ``decided`` (c,): which of them are the candidates at the ratio of the decision; ``margins`` (m, t)
    with all that is uncertain in them; ``p_clear`` (t,), as `dissolve` has it.
    """

    mixes: tuple[Mix, ...]
    decided: NDArray[np.intp]
    margins: Array
    p_clear: Array

    @property
    def clear(self) -> NDArray[np.bool_]:
        """Whether every mix is clear in every state, shape (m, t)."""
        return self.margins < 0.0

    def answers(self, decision: str) -> list[NDArray[np.intp]]:
        """Return the right answers (m,) of a decision: one array, or for "clear" one for every carrier."""
        candidates = self.margins[:, self.decided]
        if decision == "most":
            return [np.argmin(candidates, axis=1)]
        clear = candidates < 0.0
        if decision == "clear":
            return [column.astype(np.intp) for column in clear.T]
        return [np.where(clear.any(axis=1), np.argmax(clear, axis=1), clear.shape[1])]  # the last answer: none is

    def gains(self, decision: str, weights: Array) -> tuple[Array, Array]:
        """Return expected bits (t,) and probability of being right (t,), as `expected_gain`.

        For "clear" bits are summed over the carriers and the probability is the mean over them.
        """
        clear = self.clear
        parts = [expected_gain(answer, clear, weights) for answer in self.answers(decision)]
        return np.sum([bits for bits, _ in parts], axis=0), np.mean([right for _, right in parts], axis=0)

    def right_now(self, decision: str, weights: Array) -> float:
        """Return the probability that the likeliest answer is right without another trial."""
        if decision == "clear":
            chances = self.p_clear[self.decided]
            return float(np.maximum(chances, 1.0 - chances).mean())
        return float(np.mean([np.bincount(answer, weights).max() for answer in self.answers(decision)]))


def plan(
    subject: Oil,
    mixes: Sequence[Mix],
    decided: Sequence[int],
    *,
    draws: int = DRAWS,
    random_state: int | np.random.Generator | None = 0,
) -> Plan:
    """Return a plan: states drawn from what is known, with the margins of all mixtures.

    The margin of each mixture has the mean and spread that `dissolve` finds; how margins hang together is taken to
    first order in the state. The part that a trial shares with no other is drawn for each mixture once, so that the
    trial of a candidate at the ratio of the decision shows that part too.

    Parameters
    ----------
    subject : Oil
        The oil; one that was learnt brings what its trials left.
    mixes : sequence of Mix, length t
        What may be tried.
    decided : sequence of int
        Which of them the decision is about. [-]
    draws : int
        Number of states. [-]
    random_state : int, Generator or None
        Seed. [-]
    """
    rng = np.random.default_rng(seed_of(random_state))
    belief = subject.belief
    bench = Bench.of(subject, mixes)
    _, slope, own = bench.margin(bench.state_of(belief))
    # margins of all mixes are Gaussian together: so many numbers, not the whole state, are drawn
    shared = slope @ bench.covariance_of(belief) @ slope.T
    drawn = rng.standard_normal((draws, len(mixes))) @ root_of(shared)
    chance = rng.uniform(size=drawn.shape)
    known = [
        stock_margin(subject, mix.liquid, *mix[1:3], water_parts=mix.water_parts, celsius=mix.celsius) for mix in mixes
    ]
    # how they hang together is taken to first order; where each one lies, and how surely, is what `dissolve` says
    total = np.sqrt(np.diag(shared) + own**2)
    mean = np.array([margin.mean for margin, _ in known])
    scale = np.array([margin.sd for margin, _ in known]) / total
    for row, mix in enumerate(mixes):
        tried = None if belief is None else belief.outcome_of(mix.key)
        if tried is not None:
            depth = (mean[row] / scale[row] + drawn[:, row]) / own[row]
            chance[:, row] = _already_seen(depth, tried.outcome == "clear", chance[:, row], rng)
    margins = mean + scale * (drawn + own * _normal_quantile(chance))
    return Plan(tuple(mixes), np.asarray(decided, dtype=np.intp), margins, np.array([p_clear for _, p_clear in known]))


def _normal_quantile(chance: Array) -> Array:
    from scipy.special import ndtri

    return ndtri(np.clip(chance, 1e-12, 1.0 - 1e-12))


def _already_seen(depth: Array, clear: bool, chance: Array, rng: np.random.Generator) -> Array:
    """Return quantiles of the own part of a mix that was tried: such that what was seen comes about, lapses apart."""
    from scipy.special import ndtr

    edge = ndtr(-depth)
    low, width = (np.zeros_like(edge), edge) if clear else (edge, 1.0 - edge)
    lapsed = rng.uniform(size=edge.size) < LAPSE / (LAPSE + (1.0 - 3.0 * LAPSE) * width)
    return np.where(lapsed, chance, low + width * chance)


@dataclass(frozen=True, eq=False)
class NextTrial:
    """The trial to run next.

    Parameters
    ----------
    carrier : str
        Carrier or blend to try. [-]
    oil_parts, carrier_parts, water_parts : float
        Parts by volume. [-]
    celsius : float
        Temperature. [degC]
    gain_bits : float
        Information about the decision that the outcome is expected to bring. [bits]
    right_now, right_after : float
        Probability that the likeliest answer is right: now, and expected after the trial. [-]
    decision : {"clear", "first", "most"}
        What is to be decided. [-]
    table : DataFrame
        Every trial that was considered and not yet run: carrier, parts, p_clear, gain_bits, right_after; best first.
    notes : tuple of str
        What to know. [-]
    """

    carrier: str
    oil_parts: float
    carrier_parts: float
    water_parts: float
    celsius: float
    gain_bits: float
    right_now: float
    right_after: float
    decision: str
    table: pd.DataFrame = field(repr=False)
    notes: tuple[str, ...] = ()

    def trial(self, outcome: str, **more: Any) -> Trial:
        """Return the trial with what was seen, ready for the log.

        Parameters
        ----------
        outcome : {"clear", "hazy", "splits"}
            What was seen. [-]
        **more
            Other fields of `Trial`: oil, date, note. [-]
        """
        parts = (self.oil_parts, self.carrier_parts, self.water_parts)
        return Trial(self.carrier, outcome, *parts, self.celsius, **more)

    def sentence(self) -> str:
        """Return the advice in words."""
        asked = {
            "clear": "which carriers are clear",
            "first": "the first carrier that is clear",
            "most": "which carrier has most in hand",
        }[self.decision]
        water = f" with {self.water_parts:.3g} parts of water" if self.water_parts else ""
        return (
            f"Try {self.carrier} at {self.oil_parts:g}:{self.carrier_parts:g}{water}: {self.gain_bits:.2f} bits about"
            f" {asked}; the likeliest answer is right with probability {self.right_now:.2f} now,"
            f" {self.right_after:.2f} after it." + "".join(f" {note}" for note in self.notes)
        )

    def _repr_html_(self) -> str:
        import html

        return f"<p>{html.escape(self.sentence())}</p>{self.table.head(8).round(2).to_html(index=False)}"


def next_trial(
    oil_or_name: Oil | str,
    carriers: Iterable[str | Carrier | Blend],
    trials: Iterable[Trial] | TrialLog = (),
    *,
    oil_parts: float = 1,
    carrier_parts: float = 2,
    celsius: float = 25.0,
    decision: str = "clear",
    ratios: Sequence[float] = RATIOS,
    water: Sequence[float] = WATER,
    random_state: int | np.random.Generator | None = 0,
) -> NextTrial:
    """Say which trial teaches most for a decision between carriers.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil; one that was learnt brings its trials along. [-]
    carriers : iterable of str, Carrier or Blend
        Candidates between which the decision is; liquids that are not for ingestion are left out, and a note says so.
        [-]
    trials : iterable of Trial, or TrialLog
        Trials so far; may be none. [-]
    oil_parts, carrier_parts : float
        Ratio of the decision, parts by volume. [-]
    celsius : float
        Temperature. [degC]
    decision : {"clear", "first", "most"}
        "clear": which carriers are clear. "first": the first of them, in the order given, that is clear. "most": the
        one with most in hand, that is with the smallest binodal index. [-]
    ratios : sequence of float
        Ratios that may be tried: carrier parts as multiples of the ratio of the decision. [-]
    water : sequence of float
        Water that may be added: parts per part of oil and carrier together. [-]
    random_state : int, Generator or None
        Seed of the draws. [-]

    Returns
    -------
    NextTrial
        The trial with its expected gain, and a table of all that were considered.

    Raises
    ------
    InputError
        When no carrier is left that may be tried, only one for "most", two different carriers have one name, every
        mixture has been tried, or an argument is out of range.

    References
    ----------
    D. V. Lindley, Ann. Math. Stat. 27 (1956) 986-1005 (expected information of an experiment; from memory).

    Examples
    --------
    >>> advice = next_trial("clove, bud", ["propylene glycol", "triacetin", "glycerol"])
    >>> advice.gain_bits > 0, advice.right_after >= advice.right_now
    (True, True)
    """
    checks.choice(decision, "decision", DECISIONS)
    parts, warmth = check_parts(oil_parts, carrier_parts), check_celsius(celsius)
    given = checks.several(ratios, "ratios", "[0.5, 2]"), checks.several(water, "water", "[0, 0.05]")
    ratios = [checks.positive(x, "one of ratios", "", most=MOST_RATIO) for x in given[0]]
    water = [checks.number(x, "one of water", "parts per part of stock", low=0, high=MOST_RATIO) for x in given[1]]
    subject, random_state = covered(oil_or_name), checks.random_state(random_state)
    fresh = own_trials(subject, trials)
    if fresh:
        subject = learn(subject, fresh, random_state=random_state)
    liquids, left_out = _candidates(subject, carriers, parts, warmth)
    log_notes = trials.notes if isinstance(trials, TrialLog) else ()
    notes = [*filter(None, [subject.coverage]), *log_notes, *left_out]
    if len(liquids) < (2 if decision == "most" else 1):
        few = "two to choose from" if decision == "most" else "one that can be computed with"
        message = " ".join([f"carriers are {[one.name for one in liquids]}; expected at least {few}.", *notes])
        raise InputError(message)
    made = plan(subject, *mixes_of(liquids, parts, ratios, water, warmth), random_state=random_state)
    weights = np.full(len(made.margins), 1.0 / len(made.margins))
    bits, right = made.gains(decision, weights)
    now = made.right_now(decision, weights)
    tried = set() if subject.belief is None else {one.mixture for one in subject.belief.tried}
    rows = [
        row
        for row, mix in enumerate(made.mixes)
        if mix.key not in tried and _is_one_of(mix.carrier_parts / parts[1], ratios)
        if _is_one_of(mix.water_parts / (mix.oil_parts + mix.carrier_parts), water)
    ]
    if not rows:
        message = (
            f"all {len(tried)} mixtures that could be advised have been tried; allow more ratios, water or carriers"
        )
        raise InputError(message)
    table = _table(made, rows, bits, np.maximum(right, now))
    best = table.iloc[0]
    chosen = next(liquid for liquid in liquids if liquid.name == best["carrier"])
    if chosen.caution:
        notes.append(f"Caution, {chosen.name}: {chosen.caution}")
    if best["gain_bits"] < NOISE:
        notes.append("No trial is expected to change the decision.")
    return NextTrial(
        str(best["carrier"]),
        float(best["oil_parts"]),
        float(best["carrier_parts"]),
        float(best["water_parts"]),
        warmth,
        float(best["gain_bits"]),
        now,
        float(best["right_after"]),
        decision,
        table,
        tuple(notes),
    )


def _candidates(
    subject: Oil, carriers: Iterable[str | Carrier | Blend], parts: tuple[float, float], celsius: float
) -> tuple[list[Carrier | Blend], list[str]]:
    """Return the carriers that may be tried, and notes on those left out or not listed."""
    liquids: list[Carrier | Blend] = []
    notes: list[str] = []
    for name in checks.several(carriers, "carriers", "['triacetin', 'MCT']"):
        liquid = carrier(name)
        barred = [part for part in liquid.parts if part.not_for_ingestion]
        if barred:
            why = " ".join(dict.fromkeys(part.caution for part in barred))
            notes.append(f"{liquid.name} is left out, it is not for ingestion: {why}")
        elif any(part.substance is None for part in liquid.parts):
            notes.append(f"{liquid.name} is left out: no molecule stands for it.")
        elif np.isnan(stock_margin(subject, liquid, *parts, celsius=celsius)[1]):
            notes.append(f"{liquid.name} is left out: a component may crystallise; it is not sure to stay dissolved.")
        elif (liquid.name, liquid.identity) not in [(other.name, other.identity) for other in liquids]:
            liquids.append(liquid)
            notes.extend(f"{part.name}: {NOT_LISTED}." for part in liquid.parts if not part.listed_name)
    check_distinct(liquids)
    return liquids, notes


def mixes_of(
    liquids: Sequence[Carrier | Blend],
    parts: tuple[float, float],
    ratios: Sequence[float],
    water: Sequence[float],
    celsius: float,
) -> tuple[list[Mix], list[int]]:
    """Return every mixture that is considered, and the rows of those at the ratio of the decision.

    Parameters
    ----------
    liquids : sequence of Carrier or Blend
        The candidates. [-]
    parts : tuple of two float
        Oil and carrier at the ratio of the decision, by volume. [-]
    ratios, water, celsius
        As in `next_trial`.
    """
    mixes = [
        Mix(liquid, parts[0], parts[1] * step, drops * (parts[0] + parts[1] * step), celsius)
        for liquid in liquids
        for step in sorted({*ratios, 1.0})
        for drops in sorted({*water, 0.0})
    ]
    decided = [row for row, mix in enumerate(mixes) if mix.carrier_parts == parts[1] and mix.water_parts == 0.0]
    return mixes, decided


def _is_one_of(value: float, allowed: Sequence[float]) -> bool:
    return any(np.isclose(value, one) for one in allowed)


def _table(made: Plan, rows: Sequence[int], bits: Array, right: Array) -> pd.DataFrame:
    import pandas as pd

    shown = [
        (mix.liquid.name, mix.oil_parts, mix.carrier_parts, mix.water_parts, made.p_clear[row], bits[row], right[row])
        for row, mix in ((row, made.mixes[row]) for row in rows)
    ]
    columns = ["carrier", "oil_parts", "carrier_parts", "water_parts", "p_clear", "gain_bits", "right_after"]
    table = pd.DataFrame(shown, columns=columns)
    return table.sort_values(["gain_bits", "right_after"], ascending=False, kind="stable").reset_index(drop=True)
