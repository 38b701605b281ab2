"""What becomes of an oil in a carrier, in figures and in words."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from hspkit.carriers import Blend, Carrier
from hspkit.miscibility.advice import Question, advise, percent
from hspkit.miscibility.extent import Extent
from hspkit.miscibility.margin import Margin
from hspkit.oils import Oil

__all__ = ["UNDECIDED", "Outcome"]

#: Probability of `clear` between these two is called undecided [-]: odds of less than four to one.
UNDECIDED = (0.2, 0.8)
_UNKNOWN = float("nan")


@dataclass(frozen=True, eq=False)
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
    p_clear, p_hazy, p_splits : float
        Probability of each outcome; NaN when the verdict is unknown. [-]
    margin : Margin
        What the probability of clear rests on.
    extent : Extent
        What the best estimate says.
    unknown : str
        Why there is no verdict; empty when there is one. [-]
    seen : str
        What a bench trial of this very mixture came out as; empty when there was none. [-]
    """

    oil: Oil
    carrier: Carrier | Blend
    oil_parts: float
    carrier_parts: float
    celsius: float
    p_clear: float
    p_hazy: float
    p_splits: float
    margin: Margin
    extent: Extent
    unknown: str = ""
    seen: str = ""

    @property
    def verdict(self) -> str:
        """The outcome.

        "clear", "hazy" or "splits" at the best estimate, or what a trial of this very mixture came out as when that is
        to be believed; "unknown" when a component may crystallise. [-]
        """
        if self.unknown:
            return "unknown"
        return self.seen if self.overruled else self.extent.verdict

    @property
    def overruled(self) -> bool:
        """Whether a trial of this very mixture came out otherwise than the best estimate, and is to be believed."""
        chances = {"clear": self.p_clear, "hazy": self.p_hazy, "splits": self.p_splits}
        return self.seen not in ("", self.extent.verdict) and not self.unknown and chances[self.seen] > 0.5

    @property
    def _share(self) -> float:
        """Share of oil in the stock. [% vol]"""
        return 100.0 * self.oil_parts / (self.oil_parts + self.carrier_parts)

    @property
    def least_oil_percent(self) -> float:
        """Least share of oil at which oil and carrier are clear; see `max_oil_percent`. [% vol of the stock]"""
        least = 100.0 * self.extent.least_oil
        if self.overruled:
            least = min(least, self._share) if self.seen == "clear" else 0.0
        return _UNKNOWN if self.unknown else least

    @property
    def max_oil_percent(self) -> float:
        """Largest share of oil at which oil and carrier are clear. [% vol of the stock]

        With `least_oil_percent` it bounds the range around the stock when that is clear, else the one that begins at
        the carrier alone, 0 to 0 when the carrier separates by itself; NaN when unknown.
        """
        most = 100.0 * self.extent.most_oil
        if self.overruled:
            most = max(most, self._share) if self.seen == "clear" else min(most, self._share)
        return _UNKNOWN if self.unknown else most

    @property
    def water_tolerance_percent(self) -> float:
        """Water in the mixture at the cloud point when water is added to the stock. [% vol of the mixture]

        0 when the stock is not clear; NaN when unknown.
        """
        if self.unknown or (self.overruled and self.seen == "clear"):
            return _UNKNOWN
        return 0.0 if self.overruled else 100.0 * self.extent.water

    @property
    def spinodal_index(self) -> float:
        """L of `phases.spinodal_index`, solids taken as liquids; 1 and more is unstable locally. [-]"""
        return self.extent.scene.spinodal_index

    @property
    def second_phase_percent(self) -> float:
        """Volume of the smaller phases together at the best estimate; 0 when clear, NaN when unknown. [% vol]"""
        if self.overruled:
            return 0.0 if self.seen == "clear" else _UNKNOWN
        return _UNKNOWN if self.unknown else 100.0 * self.extent.second

    @property
    def limiting_components(self) -> tuple[str, ...]:
        """What separates first, strongest first; or what may crystallise.

        As oil is added to the carrier, or, where the two mix in every proportion, as water is added to the stock.
        """
        return self.extent.solids if self.unknown else self.extent.limiting

    @property
    def wax_haze(self) -> bool:
        """Whether the limit is that of the oil's wax, which chilling and filtering takes out."""
        waxes = {one.name for one, wax in zip(self.oil.substances, self.oil.waxes, strict=True) if wax}
        limiting = self.limiting_components
        return bool(limiting) and set(limiting) <= waxes

    @cached_property
    def advice(self) -> tuple[str, ...]:
        """What was computed to help, with the figure it leads to; worked out when it is asked for."""
        asked = Question(self.oil, self.carrier, self.oil_parts, self.carrier_parts, self.celsius)
        return () if self.unknown or self.overruled else advise(asked, self.extent)

    @property
    def undecided(self) -> bool:
        """Whether the probability of clear lies inside the uncertainty (`UNDECIDED`)."""
        return UNDECIDED[0] < self.p_clear < UNDECIDED[1]

    def limit(self) -> str:
        """Return how much oil the carrier holds, in words.

        Examples
        --------
        >>> from hspkit import dissolve
        >>> dissolve("limonene", "MCT").limit()
        'mixes with the oil in every proportion'
        """
        extent = self.extent
        if self.unknown:
            return self.unknown
        if self.overruled:
            held = "at least" if self.seen == "clear" else "less than"
            return f"holds {held} {percent(self._share / 100.0)} % vol of oil, as the trial showed"
        alone = "the carriers do not mix with each other by themselves"
        if extent.least_oil > 0.0:
            reason = f"; {alone}" if extent.carrier_separates else ""
            return f"clear from {percent(extent.least_oil)} to {percent(extent.most_oil)} % vol of oil{reason}"
        if extent.most_oil >= 1.0:
            return "mixes with the oil in every proportion"
        if extent.carrier_separates:
            return alone
        by = f" ({'wax' if self.wax_haze else 'limited by'}: {', '.join(extent.limiting)})" if extent.limiting else ""
        by = by.replace("limited by: ", "limited by ")
        return f"holds at most {percent(extent.most_oil)} % vol of oil{by}"

    def sentence(self) -> str:
        """Return the outcome in words, with the caution of the carrier: first where it must not be eaten."""
        text = f"{self.verdict} at {self.oil_parts:g}:{self.carrier_parts:g} by volume and {self.celsius:g} C"
        if not self.unknown:
            text += f" (probability of clear {self.p_clear:.2f}"
            text += ", undecided: run a trial)" if self.undecided else ")"
        if self.seen:
            text += f"; a trial of this mixture was {self.seen}"
            text += f", against the best estimate ({self.extent.verdict})" if self.overruled else ""
        text += f"; {self.limit()}"
        if self.verdict == "clear" and not self.overruled:
            water = self.extent.water
            text += "; takes any amount of water" if water >= 1.0 else f"; clouds at {percent(water)} % vol of water"
        told = [text + ".", *self.advice, self.oil.coverage]
        caution = f"Caution: {self.carrier.caution}" if self.carrier.caution else ""
        told = [caution, *told] if self.carrier.not_for_ingestion else [*told, caution]
        return " ".join(filter(None, told))

    def __repr__(self) -> str:
        return (
            f"<Outcome: {self.oil.name} in {self.carrier.name}, {self.oil_parts:g}:{self.carrier_parts:g}: "
            f"{self.verdict}, p_clear {self.p_clear:.2f}>"
        )
