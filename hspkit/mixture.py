"""One mixture for every question: components with their fractions, parameters, covariances, volumes and sites.

An oil, a carrier and a blend become one with `mixture_of`, a stock with `stock_of`, any other liquids together with
`Mixture.of`. `dissolve`, the margin, the triangle and the bench of trials work on nothing else.

Rows are told apart by what they are (`Substance.identity`), never by what they are called, and sorted by it; a
substance of which there is nothing has no row. So the same mixture written in another way is the same arrays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from html import escape
from math import fsum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import checks, data
from hspkit.belief import Belief, Drawn, draw
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.errors import InputError, UnknownNameError
from hspkit.oils import Oil, oil
from hspkit.phases.association import Sites
from hspkit.substances import Substance, substance
from hspkit.substances.reconciled import reconciled

__all__ = [
    "UNCOVERED", "Component", "Mixture", "carrier_substances", "liquid_key", "mixture_of", "oil_members", "stock_of",
]  # fmt: skip

Array = NDArray[np.float64]

#: Decimals to which a volume fraction is kept: a search for phases answers to its last digit, users do not.
_DECIMALS = 13
#: Name and identity of the row that stands for what no substance of an oil stands for.
UNCOVERED = "not covered"


class Component(NamedTuple):
    """One row of a mixture: what it is, what it is called, and its values.

    ``point`` (3,) [MPa^0.5], ``covariance`` (3, 3) [MPa], ``volume`` and ``volume_sd`` [cm3/mol], ``sites`` [mol/L] and
    ``melting`` [degC] are a row of those of `Mixture`.
    """

    identity: str
    name: str
    point: Array
    covariance: Array
    volume: float
    volume_sd: float
    sites: Sites
    melting: float

    @classmethod
    def of(cls, member: Substance) -> Component:
        """Return a substance [-] as a row."""
        melting = member.melting_celsius
        return cls(
            member.identity,
            member.name,
            member.hsp.array,
            member.mixing_covariance,
            float(member.volume),
            float(member.volume_sd),
            member.sites,
            float("nan") if melting is None else float(melting),
        )


#: Share of a whole, what it is made of, volume fractions (k,) of that.
Group = tuple[float, Sequence[Substance | Component], Array]


@dataclass(frozen=True, eq=False)
class Mixture:
    """Components with their fractions and what is known about them; one row a substance, sorted by identity.

    Parameters
    ----------
    names, identities : tuple of str, length n
        What the substances are called, and what they are. [-]
    fractions : ndarray of shape (n,)
        Volume fractions; 0 for what may yet be added. [-]
    hsp : ndarray of shape (n, 3)
        Hansen parameters. [MPa^0.5]
    covariance : ndarray of shape (n, 3, 3)
        Their covariances. [MPa]
    volumes, volume_sd : ndarray of shape (n,)
        Molar volumes and their standard deviations. [cm3/mol]
    sites : Sites
        Donors and acceptors of hydrogen bonds. [-]
    melting : ndarray of shape (n,)
        Melting points; NaN where not known. [degC]
    liquids : ndarray of shape (k, n)
        Each liquid that was joined, by itself, as fractions of the rows; of a stock oil, carrier and water. [-]
    shares : ndarray of shape (k,)
        Shares of these liquids in the whole. [-]
    carrier_key : tuple
        The carrier of a stock as `liquid_key` has it; empty for any other mixture. [-]
    """

    names: tuple[str, ...]
    identities: tuple[str, ...]
    fractions: Array
    hsp: Array
    covariance: Array
    volumes: Array
    volume_sd: Array
    sites: Sites
    melting: Array
    liquids: Array
    shares: Array
    carrier_key: tuple[tuple[str, float], ...] = ()

    @classmethod
    def of(cls, groups: Sequence[Group]) -> Mixture:
        """Join liquids, given as (share of volume, substances, their volume fractions).

        A substance that stands in several of them becomes one row: two rows of one substance would count an
        entropy of mixing that is not there. A liquid of share 0 gets rows all the same, to be added later.

        Parameters
        ----------
        groups : sequence of (float, sequence of Substance or Component, ndarray of shape (k,))
            Share of the liquid in the whole, its substances, their volume fractions. [-]

        Raises
        ------
        InputError
            When a group is none, or nothing is in any of them.
        """
        rows: dict[str, tuple[Component, list[float]]] = {}
        liquids: list[dict[str, float]] = []
        weights: list[float] = []
        example = "[(share, substances, fractions)]"
        for group in checks.several(groups, "groups", example):
            part = checks.several(group, "one of groups", "(share, substances, fractions)")
            if len(part) != 3:
                raise checks.refuse(group, "one of groups", "share, substances and fractions")
            share = checks.number(part[0], "the share of a liquid", "", low=0)
            weights.append(share)
            liquids.append({})
            for member, fraction in _present(*part[1:]):
                row = member if isinstance(member, Component) else Component.of(member)
                rows.setdefault(row.identity, (row, []))[1].append(share * float(fraction))
                liquids[-1][row.identity] = liquids[-1].get(row.identity, 0.0) + float(fraction)
        if not rows:
            message = "groups hold no component; expected at least one"
            raise InputError(message)
        ordered = [rows[identity] for identity in sorted(rows)]
        parts = [part for part, _ in ordered]
        return cls(
            tuple(part.name for part in parts),
            tuple(part.identity for part in parts),
            # exact in whatever order the shares came, and the same to the last bit when they were rounded another way
            np.array([round(fsum(shares), _DECIMALS) for _, shares in ordered]),
            np.array([part.point for part in parts]),
            np.array([part.covariance for part in parts]),
            np.array([part.volume for part in parts]),
            np.array([part.volume_sd for part in parts]),
            Sites.joined([part.sites for part in parts]),
            np.array([part.melting for part in parts]),
            np.array([[liquid.get(part.identity, 0.0) for part in parts] for liquid in liquids]),
            np.array(weights),
        )

    def rows(self, chosen: NDArray[np.bool_]) -> Mixture:
        """Return the mixture with some of its rows.

        Parameters
        ----------
        chosen : ndarray of bool, shape (n,)
            Which. [-]

        Raises
        ------
        InputError
            When it is no such array.
        """
        if not isinstance(chosen, np.ndarray) or chosen.dtype != bool or chosen.shape != self.fractions.shape:
            raise checks.refuse(chosen, "chosen", f"an array of {len(self.names)} times True or False")
        at = np.flatnonzero(chosen)
        arrays = ("fractions", "hsp", "covariance", "volumes", "volume_sd", "melting")
        return replace(
            self,
            names=tuple(self.names[i] for i in at),
            identities=tuple(self.identities[i] for i in at),
            liquids=self.liquids[:, at],
            sites=self.sites.take(at),
            **{name: getattr(self, name)[at] for name in arrays},
        )

    @property
    def present(self) -> Mixture:
        """The mixture without the rows of which there is nothing."""
        return self.rows(self.fractions > 0)

    def shares_of(self, members: Sequence[Substance | Component], fractions: Array) -> Array:
        """Return a liquid made of components of this mixture as fractions (n,) in the order of its rows.

        Parameters
        ----------
        members : sequence of Substance or Component
            Substances of the liquid. [-]
        fractions : ndarray of shape (k,)
            Their volume fractions. [-]

        Raises
        ------
        UnknownNameError
            When a substance is not in the mixture.
        """
        shares = np.zeros(len(self.names))
        for member, fraction in _present(members, fractions):
            if member.identity not in self.identities:
                message = f"{member.name!r} is not in this mixture; components: {', '.join(self.names)}"
                raise UnknownNameError(message)
            shares[self.identities.index(member.identity)] += fraction
        return shares

    def after(self, belief: Belief | None) -> Mixture:
        """Return the mixture with the parameters that bench trials leave its components.

        Parameters
        ----------
        belief : Belief or None
            What the trials left; None changes nothing. [-]
        """
        if belief is None:
            return self
        checks.kind(belief, "belief", Belief, "what hspkit.learn left, or None")
        hsp, covariance = self.hsp.copy(), self.covariance.copy()
        for row, identity in enumerate(self.identities):
            known = belief.after(identity)
            if known is not None:
                hsp[row], covariance[row] = known
        return replace(self, hsp=hsp, covariance=covariance)

    def drawn(self, belief: Belief | None, draws: int, random_state: int | np.random.Generator | None) -> Drawn:
        """Return draws of the parameters and volumes; see `hspkit.belief.draw`."""
        return draw(
            self.identities, self.hsp, self.covariance, self.volumes, self.volume_sd,
            liquid=self.carrier_key, belief=belief, draws=draws, random_state=random_state,
        )  # fmt: skip

    def __repr__(self) -> str:
        order = np.argsort(-self.fractions, kind="stable")[:3]
        largest = ", ".join(f"{self.names[i]} {100 * self.fractions[i]:.3g} %" for i in order)
        return f"<Mixture of {len(self.names)} components: {largest}{', ...' if len(self.names) > 3 else ''}>"

    def _repr_html_(self) -> str:
        return f"<p>{escape(repr(self)[1:-1])}</p>"


def mixture_of(liquid: Oil | Carrier | Blend) -> Mixture:
    """Return an oil, a carrier or a blend by itself, an oil as bench trials left it.

    Parameters
    ----------
    liquid : Oil, Carrier or Blend
        The liquid. [-]

    Raises
    ------
    InputError
        When no molecule stands for a part of a carrier.

    Examples
    --------
    >>> mixture_of(carrier("ethanol 70 % vol"))
    <Mixture of 2 components: ethanol 67.7 %, water 32.3 %>
    """
    return Mixture.of([_group(1.0, liquid)]).after(liquid.belief if isinstance(liquid, Oil) else None)


def stock_of(
    subject: Oil, liquid: Carrier | Blend, oil_parts: float, carrier_parts: float, water_parts: float = 0.0
) -> Mixture:
    """Return an oil, as bench trials left it, in a carrier, with water added; ``liquids`` holds them in this order.

    Parameters
    ----------
    subject : Oil
        The oil. [-]
    liquid : Carrier or Blend
        The carrier. [-]
    oil_parts, carrier_parts, water_parts : float
        Parts by volume; water of which there is none has a row all the same. [-]

    Raises
    ------
    InputError
        When no molecule stands for a part of the carrier.

    Examples
    --------
    >>> stock = stock_of(oil("limonene"), carrier("triacetin"), 1, 3)
    >>> stock, stock.shares.tolist()
    (<Mixture of 3 components: triacetin 75 %, limonene 25 %, water 0 %>, [0.25, 0.75, 0.0])
    """
    total = oil_parts + carrier_parts + water_parts
    water: Group = (water_parts / total, (substance("water"),), np.ones(1))
    groups = [_group(oil_parts / total, subject), _group(carrier_parts / total, liquid), water]
    return replace(Mixture.of(groups).after(subject.belief), carrier_key=liquid_key(liquid))


def _group(share: float, liquid: Oil | Carrier | Blend) -> Group:
    """Return a liquid as `Mixture.of` takes it."""
    if isinstance(liquid, Oil):
        return (share, *oil_members(liquid))
    return share, carrier_substances(liquid), liquid.fractions


def _present(
    members: Sequence[Substance | Component], fractions: Array
) -> list[tuple[Substance | Component, np.float64]]:
    """Return the components of a liquid of which there is something, with their volume fractions."""
    rows = checks.several(members, "members", "[substance('limonene')]")
    shares = checks.array(fractions, "fractions", "(k,)")
    if shares.shape != (len(rows),):
        message = f"{len(rows)} members and fractions of shape {shares.shape}; expected as many"
        raise InputError(message)
    for member in rows:
        checks.kind(member, "one of members", (Substance, Component), "a Substance or a Component")
    return [(member, share) for member, share in zip(rows, shares, strict=True) if share > 0]


def carrier_substances(liquid: Carrier | Blend) -> list[Substance]:
    """Return the substances that stand for the parts of a carrier.

    Raises
    ------
    InputError
        When no single molecule stands for one of them (syrups, emulsifiers).

    Examples
    --------
    >>> from hspkit.carriers import carrier
    >>> [member.name for member in carrier_substances(carrier("ethanol 70 % vol"))]
    ['ethanol', 'water']
    """
    members = []
    for part in carrier(liquid).parts:
        if part.substance is None:
            message = f"no single molecule stands for {part.name!r}, so nothing can be said of what it dissolves"
            raise InputError(message)
        members.append(part.substance)
    return members


def liquid_key(liquid: Carrier | Blend) -> tuple[tuple[str, float], ...]:
    """Return what a carrier or blend is made of, the same however it is written.

    Parameters
    ----------
    liquid : Carrier or Blend
        The carrier. [-]

    Examples
    --------
    >>> one = Blend({"triacetin": 0.7, "MCT": 0.3}, basis="volume")
    >>> liquid_key(one) == liquid_key(Blend({"MCT": 0.3, "water": 0.0, "triacetin": 0.7}, basis="volume"))
    True
    """
    liquid = carrier(liquid)
    parts = zip(carrier_substances(liquid), liquid.fractions, strict=True)
    return tuple(sorted((member.identity, round(float(share), 9)) for member, share in parts if share > 0))


@cache
def _aromas() -> tuple[Array, Array]:
    """Return parameters (m, 3) [MPa^0.5] and molar volumes (m,) [cm3/mol] of the aroma compounds that ship."""
    rows = [row for row in data.read_table("substances.csv").rows if row["role"] == "aroma" and row["volume_cm3_mol"]]
    known = [(reconciled(row["name"]), row["volume_cm3_mol"]) for row in rows]
    points = np.array([after.hsp for after, _ in known if after is not None])
    return points, np.array([volume for after, volume in known if after is not None])


def _mean_sites(rows: Sequence[Component], fractions: Array, volume: float) -> Sites:
    """Return a component of a volume [cm3/mol] with as many sites per volume as a mixture of others has."""
    together = Sites.joined([row.sites for row in rows])
    share = volume * fractions / np.array([row.volume for row in rows])
    return Sites(
        (share @ together.donors)[None], (share @ together.acceptors)[None],
        together.donor_strengths, together.acceptor_strengths,
    )  # fmt: skip


def oil_members(subject: Oil) -> tuple[tuple[Substance | Component, ...], Array]:
    """Return what an oil is made of with volume fractions that sum to 1, what is not covered among it.

    The part that no substance stands for may be any aroma compound: it is one more component, like the rest of the oil
    at the best estimate, and as uncertain as the shipped aroma compounds differ from that.

    Parameters
    ----------
    subject : Oil
        The oil. [-]

    Returns
    -------
    members : tuple of Substance or Component, length k
    fractions : ndarray of shape (k,)
        The part that is not covered is taken to be as dense as the rest. [-]

    Examples
    --------
    >>> from hspkit.oils import oil
    >>> members, fractions = oil_members(oil("lavender"))
    >>> members[-1].name, float(fractions[-1])
    ('not covered', 0.068)
    """
    subject = oil(subject)
    share = subject.uncovered_percent / 100.0
    if share < 1e-9:
        return subject.substances, subject.fractions
    rows = [Component.of(member) for member in subject.substances]
    middle = subject.fractions @ np.array([row.point for row in rows])
    volume = 1.0 / float(np.sum(subject.fractions / np.array([row.volume for row in rows])))
    points, volumes = _aromas()
    deviations = points - middle
    rest = Component(
        UNCOVERED,
        UNCOVERED,
        middle,
        deviations.T @ deviations / len(deviations),
        volume,
        float(np.sqrt(np.mean((volumes - volume) ** 2))),
        _mean_sites(rows, subject.fractions, volume),
        float("nan"),
    )
    return (*subject.substances, rest), np.append((1.0 - share) * subject.fractions, share)
