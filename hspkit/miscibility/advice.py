"""What would help: nothing is advised that was not computed to help, and the figure it leads to is said with it."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import NamedTuple

import numpy as np

from hspkit import phases
from hspkit.carriers import Blend, Carrier, carrier, carriers, markets
from hspkit.errors import HspkitError
from hspkit.miscibility.extent import Extent, look
from hspkit.miscibility.margin import margin_of
from hspkit.mixture import Mixture, carrier_substances, oil_members, stock_of
from hspkit.oils import Oil
from hspkit.rendering import number

__all__ = ["Question", "advise"]

#: A treatment is advised only when the carrier then holds so many times as much flavour [-].
_WORTH = 1.05
#: Least share of oil that is worth preparing [-]: a thousandth.
_LEAST_OIL = 1e-3
#: Shares of the carrier that another one may take [-].
_REPLACED = (0.25, 0.5)
#: Share of the terpenes that washing takes out, and the fold that is tried [-]; usual in the trade, no source.
WASHED, FOLD = 0.95, 5.0


class Question(NamedTuple):
    """An oil in a carrier: parts by volume [-] and temperature [degC]."""

    oil: Oil
    carrier: Carrier | Blend
    oil_parts: float
    carrier_parts: float
    celsius: float

    def extent(self, subject: Oil, oil_parts: float) -> Extent:
        """Return what the best estimate says with another oil, so many parts of it."""
        return look(stock_of(subject, self.carrier, oil_parts, self.carrier_parts), subject, self.celsius)


def percent(share: float) -> str:
    """Return a share of volume as a percentage that is never rounded to nothing.

    Parameters
    ----------
    share : float
        A share. [-]

    Examples
    --------
    >>> percent(0.0059), percent(1e-9), percent(0.0)
    ('0.59', 'less than 0.01', '0')
    """
    return "less than 0.01" if 0.0 < share < 1e-4 else number(100.0 * share, 2)


def advise(asked: Question, now: Extent) -> tuple[str, ...]:
    """Return what makes a stock clear, or lets the carrier hold more flavour.

    Parameters
    ----------
    asked : Question
        Oil, carrier and ratio.
    now : Extent
        What the best estimate says of it.

    Returns
    -------
    tuple of str
        Empty for a stock that is clear, for a liquid that is not for ingestion, and where nothing that was tried
        helps. [-]
    """
    if now.verdict not in ("hazy", "splits") or asked.carrier.not_for_ingestion:
        return ()
    told = []
    subject, best = asked.oil, now
    waxes = _waxes(subject)
    if waxes and set(now.limiting) <= set(waxes):
        filtered = subject.without_wax()
        then = asked.extent(filtered, asked.oil_parts * filtered.mass_yield / subject.mass_yield)
        if then.most_oil > _WORTH * now.most_oil:
            state = f"then it is clear at this ratio and {_holds(then)}" if then.verdict == "clear" else _holds(then)
            amount = number(100.0 - 100.0 * filtered.mass_yield / subject.mass_yield, 2)
            told.append(
                f"Chill and filter the oil: its wax ({', '.join(waxes)}, {amount} % of it) clouds first; without it "
                f"{'' if state.startswith('then') else 'the carrier '}{state} instead of {percent(now.most_oil)}."
            )
            subject, best = filtered, then
    if best.verdict != "clear":
        told.extend(_treated(asked, subject, best))
        share = asked.oil_parts / (asked.oil_parts + asked.carrier_parts)
        if best.least_oil <= 0.0 and _LEAST_OIL <= best.most_oil < 0.95 * share:
            ratio = number((1.0 - best.most_oil) / best.most_oil, 3)
            kind = "" if subject is asked.oil else " of the filtered oil"
            told.append(f"Use at most {percent(best.most_oil)} % vol{kind} (1:{ratio}).")
        told.extend(_other_carrier(asked, subject))
    return tuple(told)


def _waxes(subject: Oil) -> tuple[str, ...]:
    return tuple(member.name for member, wax in zip(subject.substances, subject.waxes, strict=True) if wax)


def _holds(extent: Extent) -> str:
    if extent.most_oil >= 1.0:
        return "holds any amount of it"
    return f"holds {percent(extent.most_oil)} % vol of it"


def _treated(asked: Question, subject: Oil, now: Extent) -> Iterator[str]:
    """Yield folding and washing where they help at the same strength of flavour."""
    terpenes = {member.name for member, is_one in zip(subject.substances, subject.terpenes, strict=True) if is_one}
    if not terpenes & set(now.limiting):
        return
    kind = "the oil" if subject is asked.oil else "the filtered oil"
    for words, treat in (
        (f"Fold {kind} {FOLD:g} times, to lose terpenes", lambda: subject.folded(FOLD)),
        (f"Remove {100 * WASHED:g} % of the terpenes of {kind}", lambda: subject.without_terpenes(WASHED)),
    ):
        try:
            made = treat()
        except HspkitError:  # it does not fold as far, or is all terpenes
            continue
        kept = made.mass_yield / subject.mass_yield
        parts = asked.oil_parts * kept
        then = asked.extent(made, parts)
        if then.solids:
            continue
        # as parts of the oil as it was to one part of carrier
        before = now.most_oil / max(1.0 - now.most_oil, 1e-9)
        after = then.most_oil / max(1.0 - then.most_oil, 1e-9) / kept
        if then.verdict == "clear":
            ratio = f"{number(parts)}:{asked.carrier_parts:g}"
            yield f"{words}, which limit it: at the same strength of flavour, {ratio}, it is clear."
        elif after > _WORTH * before:
            yield (
                f"{words}, which limit it: the carrier then holds the flavour of {percent(after / (1.0 + after))} % "
                f"vol of oil instead of {percent(now.most_oil)}."
            )


@cache
def _listed() -> tuple[Carrier, ...]:
    """Return the carriers that some market permits and that have a molecule."""
    rows = carriers()
    found = [carrier(name) for name, role in zip(rows["carrier"], rows["role"], strict=True) if role == "carrier"]
    return tuple(
        one
        for one in found
        if isinstance(one, Carrier) and any(one.permitted(market) in ("yes", "restricted") for market in markets())
    )


def _other_carrier(asked: Question, subject: Oil) -> Iterator[str]:
    """Yield the carrier that clears the stock best when it takes a part of the place of the one that was asked."""
    own = {member.identity for member in carrier_substances(asked.carrier)}
    others = [
        one
        for one in _listed()
        if one.substance is not None
        and one.substance.identity not in own
        and not (one.substance.melting_celsius is not None and one.substance.melting_celsius > asked.celsius)
    ]
    share = asked.oil_parts / (asked.oil_parts + asked.carrier_parts)
    everyone = Mixture.of(
        [
            (1.0, *oil_members(subject)),
            (1.0, carrier_substances(asked.carrier), asked.carrier.fractions),
            *((1.0, carrier_substances(one), one.fractions) for one in others),
        ]
    ).after(subject.belief)
    oil, first, second = everyone.liquids[0], everyone.liquids[1], everyone.liquids[2:]
    for replaced in _REPLACED:
        mixed = share * oil + (1.0 - share) * ((1.0 - replaced) * first + replaced * second)
        alone = (1.0 - replaced) * first + replaced * second
        index = phases.binodal_index(mixed, everyone.volumes, everyone.hsp, sites=everyone.sites, celsius=asked.celsius)
        joined = phases.stable(alone, everyone.volumes, everyone.hsp, sites=everyone.sites, celsius=asked.celsius)
        best = int(np.argmin(np.where(joined, index, np.inf)))
        if not joined[best] or index[best] >= 1.0:
            continue
        blend = Blend({asked.carrier: 1.0 - replaced, others[best]: replaced}, basis="volume")
        stock = stock_of(subject, blend, asked.oil_parts, asked.carrier_parts)
        extent = look(stock, subject, asked.celsius)
        if extent.verdict != "clear":
            continue
        chance = margin_of(stock.present, extent.scene, belief=subject.belief).p_clear
        kind = "" if subject is asked.oil else " with the filtered oil"
        yield (
            f"Replace {100 * replaced:g} % of the carrier by {others[best].name}, where your market permits it: clear "
            f"at this ratio{kind} (probability {chance:.2f})."
        )
        return
