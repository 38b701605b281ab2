"""Does it dissolve: `clear`, `hazy` or `splits`, with a probability and the components that limit it.

A mixture is looked at as what it is: every component of the oil and of the carrier with its own volume and Hansen
parameters. The free energy is that of `hspkit.phases`. What is uncertain in the parameters, and how far the theory
itself misses, are drawn and counted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import hansen, phases
from hspkit.carriers import Blend, Carrier, aqueous_ethanol, carrier
from hspkit.errors import InputError
from hspkit.oils import Oil, oil
from hspkit.substances import Substance, substance

__all__ = ["HAZE_VOLUME", "Mixture", "Outcome", "dissolve", "ethanol_strength_to_clear", "interaction_radius"]

Array = NDArray[np.float64]

#: A second phase of less than this share of the volume is called haze [-]. Common practice, no source: droplets of
#: a percent or two stay spread out and cloud the liquid; more than that gathers into a layer or a ring.
HAZE_VOLUME = 0.02
#: Probability of `clear` between these two is called undecided [-]: odds of less than four to one.
UNDECIDED = (0.2, 0.8)
#: Draws of the parameters behind a probability; its standard error is then at most 0.035.
DRAWS = 200


class Mixture(NamedTuple):
    """Components with their shares and what is known about them; one row a substance.

    ``fractions`` (n,) by volume; ``hsp`` (n, 3) [MPa^0.5]; ``covariance`` (n, 3, 3) [MPa]; ``volumes`` (n,) and
    ``volume_sd`` (n,) [cm3/mol].
    """

    names: tuple[str, ...]
    fractions: Array
    hsp: Array
    covariance: Array
    volumes: Array
    volume_sd: Array

    @classmethod
    def of(cls, groups: Sequence[tuple[float, Sequence[Substance], Array]]) -> Mixture:
        """Join liquids, given as (share of volume, substances, their volume fractions).

        A substance that stands in several of them becomes one row: two rows of one substance would count an
        entropy of mixing that is not there.
        """
        rows: dict[str, tuple[Substance, float]] = {}
        for share, members, fractions in groups:
            for member, fraction in zip(members, fractions, strict=True):
                before = rows.get(member.name, (member, 0.0))[1]
                rows[member.name] = (member, before + share * float(fraction))
        members_only = [member for member, _ in rows.values()]
        return cls(
            tuple(rows),
            np.array([fraction for _, fraction in rows.values()]),
            np.array([member.hsp.array for member in members_only]),
            np.array([member.covariance for member in members_only]),
            np.array([member.volume for member in members_only]),
            np.array([member.volume_sd for member in members_only]),
        )

    def shares_of(self, members: Sequence[Substance], fractions: Array) -> Array:
        """Return a liquid made of components of this mixture as fractions (n,) in the order of its rows."""
        found = np.zeros(len(self.names))
        for member, fraction in zip(members, fractions, strict=True):
            found[self.names.index(member.name)] += fraction
        return found


@dataclass(frozen=True)
class Outcome:
    """What becomes of an oil in a carrier.

    Parameters
    ----------
    oil, carrier
        The two liquids.
    oil_parts, carrier_parts : float
        Parts by volume. [-]
    celsius : float
        Temperature. [degC]
    verdict : str
        "clear", "hazy" or "splits": the middle outcome when the draws are sorted from clear to split. [-]
    p_clear, p_hazy, p_splits : float
        Share of the draws with each outcome. [-]
    max_oil_percent : float
        Largest share of oil that stays clear when oil is added to the carrier. [% vol of the stock]
    water_tolerance_percent : float
        Water in the mixture at the cloud point when water is added to the stock; 0 when the stock is not
        clear. [% vol of the mixture]
    spinodal_index : float
        L of `phases.spinodal_index`; 1 and more is unstable locally. [-]
    second_phase_percent : float
        Volume of the smaller phases together at the best estimate; 0 when clear. [% vol]
    limiting_components : tuple of str
        Components of the oil that drive it out, strongest first. [-]
    advice : tuple of str
        What to try at the bench. [-]
    """

    oil: Oil
    carrier: Carrier | Blend
    oil_parts: float
    carrier_parts: float
    celsius: float
    verdict: str
    p_clear: float
    p_hazy: float
    p_splits: float
    max_oil_percent: float
    water_tolerance_percent: float
    spinodal_index: float
    second_phase_percent: float
    limiting_components: tuple[str, ...]
    advice: tuple[str, ...] = field(repr=False)

    @property
    def undecided(self) -> bool:
        """Whether the probability of clear lies inside the uncertainty (`UNDECIDED`)."""
        return UNDECIDED[0] < self.p_clear < UNDECIDED[1]

    def sentence(self) -> str:
        """Return the outcome in words."""
        text = (
            f"{self.verdict} at {self.oil_parts:g}:{self.carrier_parts:g} by volume and {self.celsius:g} C "
            f"(probability of clear {self.p_clear:.2f}"
        )
        text += ", undecided: run a trial)" if self.undecided else ")"
        if self.max_oil_percent >= 100.0:
            text += "; mixes with the oil in every proportion"
        else:
            text += f"; holds at most {self.max_oil_percent:.1f} % vol of oil"
        if self.verdict == "clear":
            text += f"; clouds at {self.water_tolerance_percent:.1f} % vol of water"
        if self.limiting_components and self.verdict != "clear":
            text += "; limited by " + ", ".join(self.limiting_components)
        return text + "." + "".join(f" {line}" for line in self.advice)


def _draws(mixture: Mixture, count: int, random_state: int | np.random.Generator | None) -> tuple[Array, Array, Array]:
    """Return drawn parameters (count, n, 3), volumes (count, n) and weights alpha (count,)."""
    rng = np.random.default_rng(random_state)
    n = len(mixture.names)
    # The eigenvalue root takes covariances that are only semidefinite, which Cholesky refuses.
    values, vectors = np.linalg.eigh(mixture.covariance)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))[:, None, :]
    hsp = mixture.hsp + np.einsum("nij,dnj->dni", root, rng.standard_normal((count, n, 3)))
    volumes = mixture.volumes + mixture.volume_sd * rng.standard_normal((count, n))
    misfit = np.exp(phases.ALPHA_SD_LN * rng.standard_normal(count))
    return (
        np.clip(hsp, 0.0, None),
        np.clip(volumes, 0.5 * mixture.volumes, 2.0 * mixture.volumes),
        phases.ALPHA * misfit,
    )


@cache
def _water() -> Substance:
    return substance("water")


def _first_cloud(mixture: Mixture, start: Array, end: Array, celsius: float) -> float:
    """Return the share of `end` (by volume) at which `start` clouds as `end` is added; 1.0 when it never does."""
    found = phases.titrate(start, end, mixture.volumes, mixture.hsp, celsius=celsius)
    return float(found.added)


def _limiting(mixture: Mixture, members: Sequence[str], celsius: float, *, clear: bool) -> tuple[str, ...]:
    """Return the components of the oil that drive it out, strongest first.

    In an unstable mixture: those that make up the phase which is richest in oil. In a stable one: those that
    contribute most to the spinodal index, which is an exact sum over components.
    """
    rows = np.array([name in members for name in mixture.names])
    if clear:
        weight = phases.index_shares(mixture.fractions, mixture.volumes, mixture.hsp, celsius=celsius)
    else:
        found = phases.split(mixture.fractions, mixture.volumes, mixture.hsp, celsius=celsius)
        compositions = found.fractions[: int(found.n_phases)]
        richest = compositions[np.argmax(compositions[:, rows].sum(axis=1))]
        weight = np.clip(richest - mixture.fractions, 0.0, None)
    weight = np.where(rows, weight, 0.0)
    total = weight.sum()
    if total <= 0:
        return ()
    order = np.argsort(-weight, kind="stable")
    return tuple(mixture.names[i] for i in order[:3] if weight[i] >= 0.1 * total)


def dissolve(
    oil_or_name: Oil | str,
    carrier_or_blend: Carrier | Blend | str,
    *,
    oil_parts: float = 1,
    carrier_parts: float = 2,
    celsius: float = 25.0,
    draws: int = DRAWS,
    random_state: int | np.random.Generator | None = 0,
) -> Outcome:
    """Say whether an oil dissolves in a carrier at a ratio.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil. [-]
    carrier_or_blend : Carrier, Blend or str
        The carrier. [-]
    oil_parts, carrier_parts : float
        Parts by volume. [-]
    celsius : float
        Temperature. [degC]
    draws : int
        Draws of the uncertain parameters behind the probabilities. [-]
    random_state : int, Generator or None
        Seed of the draws; fixed by default so that the same question has the same answer. [-]

    Returns
    -------
    Outcome
        Verdict, probabilities, largest clear share of oil, water tolerance, limiting components, advice.

    Raises
    ------
    UnknownNameError
        For an unknown oil or carrier.
    InputError
        For parts that are not positive.

    Examples
    --------
    >>> dissolve("sweet orange, cold-pressed", "propylene glycol").verdict
    'splits'
    """
    subject = oil_or_name if isinstance(oil_or_name, Oil) else oil(oil_or_name)
    liquid = carrier(carrier_or_blend) if isinstance(carrier_or_blend, str) else carrier_or_blend
    parts = check_parts(oil_parts, carrier_parts)
    share = parts[0] / sum(parts)
    mixture = Mixture.of(
        [
            (share, subject.substances, subject.fractions),
            (1.0 - share, liquid.substances, liquid.fractions),
            (0.0, (_water(),), np.ones(1)),
        ]
    )
    stock = mixture.fractions
    kinds = _kinds(mixture, celsius, draws, random_state)
    p_clear, p_hazy, p_splits = (float(np.mean(kinds == kind)) for kind in range(3))
    verdict = ("clear", "hazy", "splits")[int(np.median(kinds))]
    found = phases.split(stock, mixture.volumes, mixture.hsp, celsius=celsius)
    second = 100.0 * (1.0 - float(found.amounts[0])) if int(found.n_phases) > 1 else 0.0
    pure_oil = mixture.shares_of(subject.substances, subject.fractions)
    pure_carrier = mixture.shares_of(liquid.substances, liquid.fractions)
    water = mixture.shares_of((_water(),), np.ones(1))
    limiting = _limiting(mixture, subject.names, celsius, clear=second == 0.0)
    return Outcome(
        subject,
        liquid,
        *parts,
        float(celsius),
        verdict,
        p_clear,
        p_hazy,
        p_splits,
        100.0 * _first_cloud(mixture, pure_carrier, pure_oil, celsius),
        0.0 if second else 100.0 * _first_cloud(mixture, stock, water, celsius),
        float(phases.spinodal_index(stock, mixture.volumes, mixture.hsp, celsius=celsius)),
        second,
        limiting,
        _advice(subject, verdict, limiting),
    )


def _kinds(
    mixture: Mixture, celsius: float, draws: int, random_state: int | np.random.Generator | None
) -> NDArray[np.intp]:
    """Return the outcome of each draw: 0 clear, 1 hazy, 2 splits."""
    if int(draws) < 1:
        message = f"draws is {draws!r}; expected a whole number >= 1"
        raise InputError(message)
    present = mixture.fractions > 0
    hsp, volumes, alpha = _draws(mixture, int(draws), random_state)
    fractions = mixture.fractions[present]
    hsp, volumes = hsp[:, present], volumes[:, present]
    clear = phases.stable(fractions, volumes, hsp, celsius=celsius, alpha=alpha)
    kinds = np.where(clear, 0, 2)
    cloudy = np.flatnonzero(~clear)
    if cloudy.size:
        found = phases.split(
            np.broadcast_to(fractions, (cloudy.size, fractions.size)),
            volumes[cloudy],
            hsp[cloudy],
            celsius=celsius,
            alpha=alpha[cloudy],
        )
        kinds[cloudy[1.0 - found.amounts[:, 0] < HAZE_VOLUME]] = 1
    return kinds


def _advice(subject: Oil, verdict: str, limiting: tuple[str, ...]) -> tuple[str, ...]:
    """Return what to try at the bench; common practice, no source."""
    if verdict == "clear":
        return ()
    lines = []
    classes = {member.name: member.kind for member in subject.substances}
    terpenes = [name for name in limiting if "terpene hydrocarbon" in (classes.get(name) or "")]
    residue = [name for name in limiting if "residue" in (classes.get(name) or "")]
    if terpenes:
        lines.append("Fold the oil or remove terpenes (they limit it), or use less oil.")
    if residue:
        lines.append("Winterise and filter: residue on evaporation limits it.")
    if not lines:
        lines.append("Use less oil, or blend in a carrier nearer to the oil.")
    return tuple(lines)
