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
from scipy.special import ndtr

from hspkit import ethanol, phases
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.errors import InputError
from hspkit.evidence import calibration
from hspkit.oils import Oil, oil
from hspkit.substances import Substance, substance

__all__ = [
    "HAZE_VOLUME",
    "Mixture",
    "Outcome",
    "carrier_substances",
    "check_parts",
    "clear_probability",
    "dissolve",
    "ethanol_strength_to_clear",
    "interaction_radius",
]

Array = NDArray[np.float64]

#: A second phase of less than this share of the volume is called haze [-]. Common practice, no source: droplets of
#: a percent or two stay spread out and cloud the liquid; more than that gathers into a layer or a ring.
HAZE_VOLUME = 0.02
#: Role of the substances that stand for what is left when a cold-pressed oil has evaporated.
RESIDUE = "citrus residue"
#: More parts than this are a slip of the keyboard [-]; so are temperatures outside this range [degC], in which no
#: stock is mixed or kept.
MOST_PARTS = 1e6
CELSIUS_RANGE = (-60.0, 250.0)
#: Probability of `clear` between these two is called undecided [-]: odds of less than four to one.
UNDECIDED = (0.2, 0.8)
#: Above this probability of clear the rest is called hazy without asking where haze ends [-].
SURELY_CLEAR = 0.999
#: Spread of ln M that stands for what the theory itself misses [-]; fitted, see ``calibration.csv``.
THEORY_SD_LN = calibration().sd_mixing
#: Draws of the parameters behind a probability. They come in mirrored pairs, and the logarithm of the binodal index
#: is taken as normal: against counting 1,000 draws that is good to about 0.03 (tests/test_miscibility.py).
DRAWS = 64


class Mixture(NamedTuple):
    """Components with their shares and what is known about them; one row a substance.

    ``fractions`` (n,) by volume; ``hsp`` (n, 3) [MPa^0.5]; ``covariance`` (n, 3, 3) [MPa];
    ``volumes`` (n,), those that count in the entropy of mixing, and ``volume_sd`` (n,) [cm3/mol]; ``sites`` (n, 2),
    densities of donors and acceptors of hydrogen bonds [mol/L].
    """

    names: tuple[str, ...]
    fractions: Array
    hsp: Array
    covariance: Array
    volumes: Array
    volume_sd: Array
    sites: Array

    @property
    def points(self) -> Array:
        """Parameters and sites (n, 5), as `phases` takes them."""
        return self.with_sites(self.hsp)

    def with_sites(self, hsp: Array) -> Array:
        """Return other parameters of the components, draws say, with their sites, shape (..., n, 5).

        Parameters
        ----------
        hsp : ndarray of shape (..., n, 3)
            Parameters. [MPa^0.5]
        """
        return np.concatenate([hsp, np.broadcast_to(self.sites, (*hsp.shape[:-1], 2))], axis=-1)

    @classmethod
    def of(cls, groups: Sequence[tuple[float, Sequence[Substance], Array]]) -> Mixture:
        """Join liquids, given as (share of volume, substances, their volume fractions).

        A substance that stands in several of them becomes one row: two rows of one substance would count an
        entropy of mixing that is not there.

        Parameters
        ----------
        groups : sequence of (float, sequence of Substance, ndarray of shape (k,))
            Share of the liquid in the whole, its substances, their volume fractions. [-]
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
            np.array([member.mixing_volume for member in members_only]),
            np.array([member.volume_sd for member in members_only]),
            np.array([member.sites for member in members_only]),
        )

    def shares_of(self, members: Sequence[Substance], fractions: Array) -> Array:
        """Return a liquid made of components of this mixture as fractions (n,) in the order of its rows.

        Parameters
        ----------
        members : sequence of Substance
            Substances of the liquid. [-]
        fractions : ndarray of shape (k,)
            Their volume fractions. [-]
        """
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
        "clear", "hazy" or "splits": the outcome in the middle of the uncertainty. [-]
    p_clear, p_hazy, p_splits : float
        Probability of each outcome. [-]
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
        """Return the outcome in words, with the caution that goes with the carrier."""
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
        said = [text + ".", *self.advice]
        if self.carrier.caution:
            said.append(f"Caution: {self.carrier.caution}")
        return " ".join(said)


def _draws(mixture: Mixture, count: int, random_state: int | np.random.Generator | None) -> tuple[Array, Array]:
    """Return drawn parameters (count, n, 3) and volumes (count, n), in mirrored pairs about the middle."""
    if int(count) != count or count < 2 or count % 2:
        message = f"draws is {count!r}; expected an even whole number >= 2"
        raise InputError(message)
    rng = np.random.default_rng(random_state)
    n, half = len(mixture.names), int(count) // 2
    # The eigenvalue root takes covariances that are only semidefinite, which Cholesky refuses.
    values, vectors = np.linalg.eigh(mixture.covariance)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))[:, None, :]
    away = np.einsum("nij,dnj->dni", root, rng.standard_normal((half, n, 3)))
    swell = mixture.volume_sd * rng.standard_normal((half, n))
    hsp = mixture.hsp + np.concatenate([away, -away])
    volumes = mixture.volumes + np.concatenate([swell, -swell])
    return np.clip(hsp, 0.0, None), np.clip(volumes, 0.5 * mixture.volumes, 2.0 * mixture.volumes)


def check_parts(oil_parts: float, carrier_parts: float) -> tuple[float, float]:
    """Return parts as floats after checking that both are positive numbers.

    Parameters
    ----------
    oil_parts, carrier_parts : float
        Parts by volume. [-]

    Raises
    ------
    InputError
        When one is zero, negative or not a number.

    Examples
    --------
    >>> check_parts(1, 2)
    (1.0, 2.0)
    """
    checked = []
    for name, given in (("oil_parts", oil_parts), ("carrier_parts", carrier_parts)):
        try:
            value = float(given)
        except (TypeError, ValueError):
            value = float("nan")
        if not 0 < value <= MOST_PARTS:
            message = f"{name} is {given!r}; expected a number > 0 (at most {MOST_PARTS:g}) of parts by volume"
            raise InputError(message)
        checked.append(value)
    return checked[0], checked[1]


def carrier_substances(liquid: Carrier | Blend) -> list[Substance]:
    """Return the substances that stand for the parts of a carrier.

    Raises
    ------
    InputError
        When no single molecule stands for one of them (syrups, emulsifiers).

    Examples
    --------
    >>> [member.name for member in carrier_substances(carrier("ethanol 70 % vol"))]
    ['ethanol', 'water']
    """
    found = []
    for part in liquid.parts:
        if part.substance is None:
            message = f"no single molecule stands for {part.name!r}, so nothing can be said of what it dissolves"
            raise InputError(message)
        found.append(part.substance)
    return found


@cache
def _water() -> Substance:
    return substance("water")


def _first_clouds(mixture: Mixture, starts: Array, added: Array, celsius: float) -> Array:
    """Return the shares of additions (k, n) by volume at which ``starts`` (k, n) cloud; 1.0 for one that never does."""
    return phases.cloud_point(starts, added, mixture.volumes, mixture.points, celsius=celsius).fraction


def _limiting(mixture: Mixture, members: Sequence[str], celsius: float, phase: Array | None) -> tuple[str, ...]:
    """Return the components of the oil that drive it out, strongest first.

    In a mixture that separates: those that make up the phase which is richest in oil. In a clear one: those that
    contribute most to the spinodal index, which is an exact sum over components.
    """
    rows = np.array([name in members for name in mixture.names])
    if phase is None:
        weight = phases.index_shares(mixture.fractions, mixture.volumes, mixture.points, celsius=celsius)
    else:
        weight = np.clip(phase - mixture.fractions, 0.0, None)
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
        Even number of draws of the uncertain parameters behind the probabilities. [-]
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
        For parts that are not positive, or a temperature at which nothing is mixed.

    Examples
    --------
    >>> dissolve("sweet orange, cold-pressed", "propylene glycol").verdict
    'splits'
    """
    subject = oil_or_name if isinstance(oil_or_name, Oil) else oil(oil_or_name)
    liquid = subject.met(carrier(carrier_or_blend))
    parts = check_parts(oil_parts, carrier_parts)
    if not CELSIUS_RANGE[0] <= float(celsius) <= CELSIUS_RANGE[1]:
        message = f"celsius is {celsius!r}; expected {CELSIUS_RANGE[0]:g} to {CELSIUS_RANGE[1]:g} degC"
        raise InputError(message)
    share = parts[0] / sum(parts)
    members = carrier_substances(liquid)
    mixture = Mixture.of(
        [
            (share, subject.substances, subject.fractions),
            (1.0 - share, members, liquid.fractions),
            (0.0, (_water(),), np.ones(1)),
        ]
    )
    stock = mixture.fractions
    present = stock > 0
    scene = phases.Landscape.of(stock[present], mixture.volumes[present], mixture.points[present], celsius=celsius)
    mean, sd = _moments(mixture, present, scene, draws, random_state)
    p_clear = float(ndtr(-mean / sd))
    own = {member.name for member in subject.substances}
    rows = np.array([name in own for name in mixture.names])
    edge, second, found = _separation(scene, rows[present], with_edge=p_clear < SURELY_CLEAR)
    phase = None if found is None else np.zeros(stock.size)
    if phase is not None:
        phase[present] = found
    p_splits = float(ndtr((mean - np.log(edge)) / sd))
    verdict = _verdict(
        scene.index, edge
    )  # the best estimate's own answer, as second_phase_percent and max_oil_percent are
    pure_oil = mixture.shares_of(subject.substances, subject.fractions)
    pure_carrier = mixture.shares_of(members, liquid.fractions)
    water = mixture.shares_of((_water(),), np.ones(1))
    asked = 2 if second == 0 else 1  # a stock that is not clear bears no water
    starts, added = np.stack([pure_carrier, stock])[:asked], np.stack([pure_oil, water])[:asked]
    most_oil, most_water = (*_first_clouds(mixture, starts, added, celsius), 0.0)[:2]
    limiting = _limiting(mixture, [member.name for member in subject.substances], celsius, phase)
    return Outcome(
        subject,
        liquid,
        *parts,
        float(celsius),
        verdict,
        p_clear,
        max(0.0, 1.0 - p_clear - p_splits),
        p_splits,
        100.0 * float(most_oil),
        100.0 * float(most_water),
        scene.spinodal_index,
        100.0 * second,
        limiting,
        _advice(subject, verdict, limiting),
    )


def _verdict(index: float, edge: float) -> str:
    if index < 1.0:
        return "clear"
    return "hazy" if index < edge else "splits"


def _moments(
    mixture: Mixture,
    present: NDArray[np.bool_],
    scene: phases.Landscape,
    draws: int,
    random_state: int | np.random.Generator | None,
) -> tuple[float, float]:
    """Return mean and standard deviation of ln M, the binodal index, over the uncertain parameters and theory."""
    hsp, volumes = _draws(mixture, draws, random_state)
    margins = scene.index_of_draws(volumes[:, present], mixture.with_sites(hsp)[:, present])
    logs = np.log(np.maximum(margins, _SMALLEST_INDEX))
    return float(np.mean(logs)), float(np.hypot(np.std(logs), THEORY_SD_LN))


#: A mixture of identical liquids has the binodal index 0; its logarithm is cut off here [-].
_SMALLEST_INDEX = 1e-3


#: Binodal indices at which the volume of the second phase is looked at, to find where haze ends.
_LADDER = np.array([1.02, 1.08, 1.2, 1.6])


def _separation(
    scene: phases.Landscape, oil_rows: NDArray[np.bool_], *, with_edge: bool
) -> tuple[float, float, Array | None]:
    """Return where haze ends, and what separates from the central mixture.

    Parameters
    ----------
    scene : Landscape
        The mixture at its central parameters.
    oil_rows : ndarray of bool, shape (n,)
        Which components belong to the oil. [-]
    with_edge : bool
        Whether the edge is wanted.

    Returns
    -------
    edge : float
        Binodal index at which the second phase reaches `HAZE_VOLUME`; the index is proportional to alpha, so the
        mixture is driven up a ladder by raising alpha. Infinite when it is not wanted. [-]
    second : float
        Share of the volume outside the largest phase. [-]
    phase : ndarray of shape (n,) or None
        Volume fractions in the phase that is richest in oil; None while the mixture is clear. [-]
    """
    index = scene.index
    own = np.array([index] if index >= 1.0 else [])
    rungs = np.concatenate([own, _LADDER[:1] if with_edge else []])
    edge, second, phase = np.inf, 0.0, None
    if rungs.size == 0:
        return edge, second, phase
    found = scene.split(rungs / index)
    if with_edge:
        climbed = found.separated[-1:]
        if climbed[0] < HAZE_VOLUME:  # else haze ends before the first rung
            climbed = np.concatenate([climbed, scene.split(_LADDER[1:] / index).separated])
        climbed = np.maximum.accumulate(climbed)
        edge = float(np.interp(HAZE_VOLUME, climbed, _LADDER[: climbed.size], left=1.0, right=np.inf))
    if index >= 1.0:
        second = float(found.separated[0])
        compositions = found.fractions[0, : int(found.n_phases[0])]
        phase = compositions[np.argmax(compositions[:, oil_rows].sum(axis=1))]
    return edge, second, phase


#: What to try when components of a kind drive the oil out; common practice, no source.
_ADVICE = {
    "terpene": "Fold the oil or remove terpenes (they limit it), or use less oil.",
    "residue": "Winterise and filter: residue on evaporation limits it.",
    "other": "Use less oil, or blend in a carrier nearer to the oil.",
}


def _advice(subject: Oil, verdict: str, limiting: tuple[str, ...]) -> tuple[str, ...]:
    if verdict == "clear":
        return ()
    kinds = []
    for member, terpene in zip(subject.substances, subject.terpenes, strict=True):
        if member.name in limiting:
            kinds.append("terpene" if terpene else "residue" if member.role == RESIDUE else "other")
    return tuple(_ADVICE[kind] for kind in dict.fromkeys(kinds) if kind != "other") or (_ADVICE["other"],)


def clear_probability(
    oil_or_name: Oil | str,
    hsp: NDArray[np.float64],
    volume: float,
    *,
    oil_parts: float = 1,
    carrier_parts: float = 2,
    celsius: float = 25.0,
    draws: int = 8,
    random_state: int | np.random.Generator | None = 0,
) -> Array:
    """Return the probability that an oil is clear in liquids given by their Hansen parameters alone.

    Nothing is known of the donors and acceptors of such a liquid, so what hydrogen bonds between unlike partners add
    is left out: ask `dissolve` about a carrier of known structure.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil, uncertain as its components are. [-]
    hsp : ndarray of shape (..., 3)
        Parameters of the liquids, taken as exact. [MPa^0.5]
    volume : float
        Their molar volume. [cm3/mol]
    oil_parts, carrier_parts : float
        Parts by volume. [-]
    celsius : float
        Temperature. [degC]
    draws : int
        Draws behind each probability. [-]
    random_state : int, Generator or None
        Seed. [-]

    Returns
    -------
    ndarray of shape (...)
        Probability of clear. [-]

    Examples
    --------
    Limonene's own parameters, and those of water:

    >>> clear_probability("limonene", np.array([[17.2, 1.8, 4.3], [15.5, 16.0, 42.3]]), 100.0)
    array([1., 0.])
    """
    subject = oil_or_name if isinstance(oil_or_name, Oil) else oil(oil_or_name)
    parts = check_parts(oil_parts, carrier_parts)
    share = parts[0] / sum(parts)
    mixture = Mixture.of([(1.0, subject.substances, subject.fractions)])
    drawn, volumes = _draws(mixture, draws, random_state)
    points = np.asarray(hsp, dtype=float).reshape(-1, 1, 1, 3)
    count = points.shape[0]
    everything = np.zeros((count, draws, len(mixture.names) + 1, 5))  # no donors and acceptors
    everything[:, :, :-1, :3], everything[:, :, -1:, :3] = drawn, points
    sizes = np.concatenate([volumes, np.full((draws, 1), float(volume))], axis=1)
    fractions = np.append(share * mixture.fractions, 1.0 - share)
    margins = phases.binodal_index(fractions, sizes, everything, celsius=celsius)
    logs = np.log(np.maximum(margins, _SMALLEST_INDEX))
    sd = np.hypot(logs.std(axis=1), THEORY_SD_LN)
    return np.asarray(ndtr(-logs.mean(axis=1) / sd)).reshape(np.asarray(hsp).shape[:-1])


def interaction_radius(oil_volume: float, carrier_volume: float, *, celsius: float = 25.0) -> float:
    """Return the Ra within which two liquids mix in every proportion: the R0 of the plain Hansen distance.

    A binary is stable everywhere while a (Ra/2)^2 < (V1^-0.5 + V2^-0.5)^2 / 2, so
    R0 = sqrt(2/a) (V1^-0.5 + V2^-0.5). Fitted weights and hydrogen bonds between unlike partners (`dissolve`) make a
    bent ellipsoid of the sphere, with about the same mean radius.

    Parameters
    ----------
    oil_volume, carrier_volume : float
        Molar volumes. [cm3/mol]
    celsius : float
        Temperature. [degC]

    Returns
    -------
    float
        R0. [MPa^0.5]

    References
    ----------
    Critical point of the Flory-Huggins free energy; interaction after Lindvig, Michelsen and Kontogeorgis, Fluid
    Phase Equilib. 203 (2002) 247-260.

    Examples
    --------
    Small liquids reach further than large ones:

    >>> interaction_radius(160, 75) > interaction_radius(160, 250)
    True
    """
    strength = float(phases.interaction_strength(celsius))
    return float(np.sqrt(2.0 / strength) * (oil_volume**-0.5 + carrier_volume**-0.5))


def ethanol_strength_to_clear(oil_or_name: Oil | str, *, volumes: float, celsius: float = 20.0) -> float:
    """Return the weakest aqueous ethanol in which one volume of an oil is clear.

    The residue on evaporation of cold-pressed oils (waxes and their like) is left out: the standards know the
    opalescence that it makes and do not count it.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil. [-]
    volumes : float
        Volumes of aqueous ethanol to one volume of oil. [-]
    celsius : float
        Temperature of the test. [degC]

    Returns
    -------
    float
        Strength from which on every stronger alcohol is clear; NaN when pure ethanol is not. [% vol]

    Raises
    ------
    InputError
        When volumes is not positive.

    Examples
    --------
    >>> 40 < ethanol_strength_to_clear("limonene", volumes=10) <= 100
    True
    """
    subject = oil_or_name if isinstance(oil_or_name, Oil) else oil(oil_or_name)
    _, ratio = check_parts(1.0, volumes)
    spirit = (substance("ethanol"), substance("water"))
    filtered = np.array([member.role != RESIDUE for member in subject.substances]) * subject.fractions
    if not np.any(filtered > 0):
        message = f"{subject.name!r} is all residue on evaporation; nothing is left to test"
        raise InputError(message)
    filtered = filtered / filtered.sum()
    mixture = Mixture.of([(1.0, subject.substances, filtered), (0.0, spirit, np.ones(2) / 2)])
    pure_oil = mixture.shares_of(subject.substances, filtered)

    def clear(strengths: Array) -> NDArray[np.bool_]:
        shares = np.stack([mixture.shares_of(spirit, row) for row in ethanol.volume_fractions(strengths)])
        mixed = (pure_oil + ratio * shares) / (1.0 + ratio)
        return phases.stable(mixed, mixture.volumes, mixture.points, celsius=celsius)

    low, high = 0.0, 100.0
    for _ in range(3):  # 101 strengths at a time: steps of 1, 0.01 and 0.0001 % vol
        strengths = np.linspace(low, high, 101)
        cloudy = np.flatnonzero(~clear(strengths))
        if cloudy.size == 0:
            return float(low)
        last = int(cloudy[-1])
        if last == 100:
            return float("nan") if high == 100.0 else float(high)
        low, high = float(strengths[last]), float(strengths[last + 1])
    return high
