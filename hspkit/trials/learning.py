"""`learn`: an oil as bench trials leave it, what changed, and which trials contradict the rest."""

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
from hspkit.trials.bench import Bench, Mix
from hspkit.trials.log import TrialLog
from hspkit.trials.posterior import infer
from hspkit.trials.trial import OUTCOMES, Trial

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CONTRADICTS", "LearntOil", "TrialPosterior", "Verdict", "learn", "own_trials"]

Array = NDArray[np.float64]

#: A trial is flagged when everything else together gave its outcome less than this chance.
CONTRADICTS = 0.05


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


@dataclass(frozen=True, eq=False)
class TrialPosterior:
    """What trials leave of the uncertainty of an oil and of the carriers, and how each trial agrees with the rest.

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
        Defaults that were assumed in reading the log of trials. [-]
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

        A trial carries information about both liquids in the flask.

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
        updated = member.with_parameters(self.hsp[at], self.spread(member.name), note=self.note)
        return replace(liquid, substance=updated)

    @property
    def note(self) -> str:
        """One line for the notes of whatever has these parameters."""
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
        pairs = [f"{name}_{when}" for name in ("p", "margin", "sd") for when in ("before", "after")]
        frame = pd.DataFrame(table, columns=["carrier", "seen", *pairs, "why"])
        barred = np.array([liquid.not_for_ingestion for liquid in liquids], dtype=bool)
        return frame.iloc[np.lexsort((-frame["p_after"], barred))].reset_index(drop=True)

    def report(self) -> str:
        """Return the posterior in sentences: each trial, what moved, what contradicts."""
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
    """An oil with the parameters that trials leave its components; `posterior` says what was learnt.

    Examples
    --------
    >>> learnt = learn("limonene", [Trial("glycerol", "clear")])
    >>> learnt.posterior.flagged[0].trial.carrier
    'glycerol'
    """

    posterior: TrialPosterior = field(default=None, repr=False)  # type: ignore[assignment]

    @property
    def lesson(self) -> TrialPosterior:
        """The same as `posterior`, by its earlier name."""
        return self.posterior


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
    """Return an oil with the posterior of its bench trials.

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
        `posterior` tells what changed, names trials that contradict everything else, and has what was learnt about the
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
    >>> learnt = learn("sweet orange, cold-pressed", [Trial("propylene glycol", "splits", 1, 2)])
    >>> learnt.posterior.verdicts[0].flagged
    False
    """
    subject, random_state = covered(oil_or_name), checks.random_state(random_state)
    given = own_trials(subject, trials)
    if isinstance(subject, LearntOil) and subject.mass_percent == subject.posterior.before.mass_percent:
        given = (*subject.posterior.trials, *given)
        subject = subject.posterior.before
    else:
        subject = replace(subject, belief=None)
    if not given:
        message = f"no trial of {subject.name!r} among those given; expected one that names it, or no oil"
        raise InputError(message)
    from scipy.linalg import block_diag

    bench = Bench.of(subject, [_mix(one) for one in given])
    kinds = _kinds(given)
    found = infer(bench, range(len(given)), kinds, random_state)
    n = len(bench.names)
    hsp = bench.points(found.mean)
    root = block_diag(*bench.root)
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
    posterior = TrialPosterior(
        subject, given, verdicts, bench.names, hsp, bench.mean, covariance, sd_before, found.effective, belief, read
    )
    members = []
    for member in subject.substances:
        if member.name not in bench.names:
            members.append(member)
            continue
        at = bench.names.index(member.name)
        members.append(member.with_parameters(hsp[at], posterior.spread(member.name), note=posterior.note))
    values = {one.name: getattr(subject, one.name) for one in fields(Oil)} | {
        "substances": tuple(members),
        "belief": belief,
        "notes": (*subject.notes, posterior.note, *(verdict.reason for verdict in posterior.flagged)),
    }
    return LearntOil(**values, posterior=posterior)


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
