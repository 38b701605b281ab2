"""One oil in one carrier in one product: doses, margins, range of stocks, clouding of the drink and pouring."""

from __future__ import annotations

import html
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from hspkit import checks, ethanol
from hspkit.application.drink import Clouding, clouding
from hspkit.application.legal import LawLine, law_lines
from hspkit.application.permission import CHECK_THE_LAW, Permission, permission
from hspkit.application.pouring import Pouring, pouring_band
from hspkit.application.stock import StockRange, stock_range
from hspkit.application.taste import TasteLine, taste_lines, under_taste_limit
from hspkit.application.use import BASES, Application, Dose, check_application, dose, mass_shares, volume_parts
from hspkit.application.water import drink_solubility
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.errors import InputError
from hspkit.miscibility import Outcome, check_celsius, check_parts, dissolve, ethanol_strength_to_clear
from hspkit.oils import Oil, covered
from hspkit.rendering import html_list, html_table, number

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Dosing", "dosing"]

#: How much of the terpene hydrocarbons a washed extract has lost, for the comparison in the conclusion [-]; a round
#: figure, no source.
WASHED = 0.95


@dataclass(frozen=True, repr=False)
class Dosing:
    """What one oil in one carrier means for one product.

    Parameters
    ----------
    oil, carrier
        The two liquids.
    application : Application
        The product.
    basis : {"volume", "mass"}
        What the parts are. [-]
    oil_parts, carrier_parts : float
        Parts of the stock. [-]
    outcome : Outcome
        Whether the stock is clear.
    dose : Dose
        Oil and carrier in the product. [mg/L]
    permissions : tuple of Permission
        One per part of the carrier.
    law : tuple of LawLine
        Rules with margins.
    taste : tuple of TasteLine
        Taste of each part of the carrier.
    stock : StockRange
        Most concentrated and most dilute stock.
    drink : Clouding or None
        The finished drink; None when the product is not a drink.
    pouring : Pouring or None
        How the carrier handles; None when its viscosity is not known.
    """

    oil: Oil
    carrier: Carrier | Blend
    application: Application
    basis: str
    oil_parts: float
    carrier_parts: float
    outcome: Outcome
    dose: Dose
    permissions: tuple[Permission, ...]
    law: tuple[LawLine, ...]
    taste: tuple[TasteLine, ...]
    stock: StockRange
    drink: Clouding | None
    pouring: Pouring | None

    def __repr__(self) -> str:
        return f"<Dosing: {self.question()}; {number(self.dose.carrier_mg_per_L)} mg/L of carrier>"

    def __str__(self) -> str:
        return "\n".join([self.question(), *(f"{name}: {line}" for name, lines in self.sections() for line in lines)])

    def _repr_html_(self) -> str:
        units = (("product", "mg/L"), ("product", "mg/kg"), ("stock", "mass %"), ("stock", "% vol"))
        rows = [[row[0], *(number(float(cell), 4) for cell in row[1:])] for row in self.table.itertuples(index=False)]
        sections = "".join(f"<h2>{name}</h2>{html_list(lines)}" for name, lines in self.sections())
        return f"<p>{html.escape(self.question())}</p>{html_table(['liquid', *units], rows)}{sections}"

    def question(self) -> str:
        """Return the question that this answers, in one line."""
        product = self.application
        return (
            f"{self.oil.name} in {self.carrier.name}, {self.oil_parts:g}:{self.carrier_parts:g} by {self.basis}; "
            f"{product.category}, {product.market}, {product.level()}"
        )

    def sections(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """Return headings with their lines: stock, law, taste, drink, pouring."""
        return (
            ("Stock", (self.outcome.sentence(), f"Stock: {self.stock.sentence()}.", self.yardstick())),
            ("Law", self.legal_lines()),
            ("Taste", self.taste_lines()),
            ("Finished drink", self.drink_lines()),
            ("Pouring", self.pouring_lines()),
        )

    @property
    def allowed(self) -> bool:
        """Whether every part of the carrier has positive evidence of permission."""
        return all(permission.allowed for permission in self.permissions)

    @property
    def under_taste_limit(self) -> bool | None:
        """Whether the dose keeps to the taste limits of all parts of the carrier; None when one is not known."""
        return under_taste_limit(self.carrier, self.dose.carrier_mg_per_L)

    @property
    def broken(self) -> tuple[str, ...]:
        """The limits that this dose breaks, legal ones first."""
        lines: tuple[LawLine | TasteLine, ...] = (*self.law, *self.taste)
        return tuple(line.sentence() for line in lines if line.broken)

    @property
    def table(self) -> pd.DataFrame:
        """Oil, each part of the carrier and the stock.

        Columns: liquid, mg_per_L and mg_per_kg of finished product, mass_percent_of_stock, volume_percent_of_stock.
        """
        import pandas as pd

        volumes = np.array([self.outcome.oil_parts, self.outcome.carrier_parts])
        oil_percent, carrier_percent = 100.0 * volumes / volumes.sum()
        by_volume = dict(zip(self.carrier.parts, self.carrier.volume_fractions, strict=True))
        rows = [
            (self.oil.name, self.dose.oil_mg_per_L, oil_percent),
            *(
                (part.name, share * self.dose.carrier_mg_per_L, carrier_percent * by_volume[part])
                for part, share in mass_shares(self.carrier).items()
            ),
            ("stock", self.dose.stock_mg_per_L, 100.0),
        ]
        table = pd.DataFrame(rows, columns=["liquid", "mg_per_L", "volume_percent_of_stock"])
        table.insert(2, "mg_per_kg", table["mg_per_L"] / self.application.product_density)
        table.insert(3, "mass_percent_of_stock", 100.0 * table["mg_per_L"] / self.dose.stock_mg_per_L)
        return table

    def yardstick(self) -> str:
        """Return the strength of ethanol that would be clear at the same ratio, in words; needs its own search."""
        volumes = self.outcome.carrier_parts / self.outcome.oil_parts
        try:
            strength = ethanol_strength_to_clear(self.oil, volumes=volumes)
        except InputError as error:
            return f"Alcohol as yardstick: unknown. {error}."
        if np.isnan(strength):
            return "Alcohol as yardstick: not even pure ethanol would be clear at this ratio."
        return f"Alcohol as yardstick: ethanol of at least {strength:.0f} % vol would be clear at this ratio."

    def legal_lines(self) -> tuple[str, ...]:
        """Return permission and limits in words, each with its reference and date."""
        scope = self.application.scope
        refused = (permission.sentence(*scope) for permission in self.permissions if not permission.allowed)
        return (*refused, *(line.sentence() for line in self.law), CHECK_THE_LAW)

    def taste_lines(self) -> tuple[str, ...]:
        """Return what is known of the taste of each part of the carrier."""
        return tuple(line.sentence() for line in self.taste)

    def drink_lines(self) -> tuple[str, ...]:
        """Return what becomes of the finished drink in plain words, and what to do."""
        if self.drink is None:
            return (f"{self.application.category}: not a drink that is asked to stay clear.",)
        drink, strength = self.drink, self.application.ethanol_percent
        where = f" ({strength:g} % vol of ethanol)" if strength else ""
        lines = [f"The drink{where} {drink.sentence()}."]
        lines += [
            f"The carrier {part.name} does not dissolve in it: {number(part.dose_mg_per_L)} mg/L against "
            f"{number(part.solubility_mg_per_L, 2)} mg/L ({part.known}). It belongs in an emulsion or in a food, "
            "not in a clear drink."
            for part in drink.components
            if part.of_carrier and part.share_of_limit > 1.0
        ]
        if not drink.stays_clear and not drink.carrier_clouds:
            lines.append(self._not_kept(drink))
            lines.append("Make an emulsion for a cloudy drink, or use a washed (terpene-poor) extract for a clear one.")
            if self.oil.terpene_percent > 0 and self.oil.terpene_percent < 100:
                lines.append(self._washed())
        if drink.undecided:
            lines.append("This is within the uncertainty of the solubilities: dose a sample and let it stand a day.")
        if drink.unknown:
            share = number(self.oil.uncovered_percent, 2)
            lines.append(f"{share} % of the oil has no substance in the tables and was not looked at.")
        if drink.residue_mg_per_L > 0:
            lines.append(
                f"{number(drink.residue_mg_per_L, 2)} mg/L of residue on evaporation (waxes) is left out: it never "
                "dissolves; winterise and filter the oil."
            )
        return (*lines, "Sugar, acid, gums and cold are not counted.")

    def _not_kept(self, drink: Clouding) -> str:
        """Return that the carrier does not keep the oil in solution, and how little as much ethanol would do."""
        first = drink.makers[0][0] if drink.makers else ""
        member = next((member for member in self.oil.substances if member.name == first), None)
        line = f"{number(self.dose.carrier_mg_per_L)} mg/L of carrier does not keep {first or 'it'} in solution"
        if member is None:
            return line + "."
        strength = self.dose.carrier_mg_per_L / (10_000.0 * float(ethanol.density(100.0)))  # were it all ethanol
        gain = drink_solubility(member, strength).mg_per_L / drink_solubility(member, 0.0).mg_per_L
        return f"{line}: even as much ethanol would dissolve only {100 * (gain - 1):.1g} % more."

    def _washed(self) -> str:
        """Return what becomes of the drink with an extract of the oil that has lost its terpenes."""
        washed = self.oil.without_terpenes(WASHED)
        amount = self.dose.oil_mg_per_L * washed.mass_yield / self.oil.mass_yield
        drink = clouding(washed, oil_mg_per_L=amount, ethanol_percent=self.application.ethanol_percent)
        state = "stays clear" if drink.stays_clear else "still clouds"
        return (
            f"With {100 * WASHED:g} % of the terpenes gone, at the same strength of flavour "
            f"({number(amount, 2)} mg/L), it {state}: {drink.times()}."
        )

    def pouring_lines(self) -> tuple[str, ...]:
        """Return how the carrier handles at 20 C."""
        if self.pouring is None:
            return ("Viscosity of the carrier not on record.",)
        middle, (low, high) = self.carrier.viscosity(20.0), self.carrier.viscosity_range(20.0)
        spread = f" ({number(low)} to {number(high)})" if high - low > 0.05 * middle else ""
        return (f"{self.carrier.name} at 20 C: {number(middle)}{spread} mPa s, {self.pouring.sentence()}.",)


def dosing(
    oil_or_name: Oil | str,
    carrier_or_blend: Carrier | Blend | str,
    application: Application,
    *,
    oil_parts: float = 1,
    carrier_parts: float = 2,
    basis: str = "volume",
    celsius: float = 25.0,
    outcome: Outcome | None = None,
) -> Dosing:
    """Work out what one oil in one carrier means for one product.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil. [-]
    carrier_or_blend : Carrier, Blend or str
        The carrier. [-]
    application : Application
        The product. [-]
    oil_parts, carrier_parts : float
        Parts of the stock. [-]
    basis : {"volume", "mass"}
        What the parts are. [-]
    celsius : float
        Temperature of the stock. [degC]
    outcome : Outcome, optional
        Result of `dissolve` for this stock; computed when it is not given. [-]

    Returns
    -------
    Dosing

    Raises
    ------
    UnknownNameError
        For an unknown oil or carrier.
    InputError
        When the density of the carrier is not known, or a number is not positive.

    Examples
    --------
    >>> soda = Application("EU", "soft drinks", oil_mg_per_L=40)
    >>> answer = dosing("sweet orange, cold-pressed", "triacetin", soda, carrier_parts=3)
    >>> answer.allowed, round(answer.dose.carrier_mg_per_L)
    (True, 166)
    """
    subject, liquid = covered(oil_or_name), carrier(carrier_or_blend)
    check_application(application)
    parts = check_parts(oil_parts, carrier_parts)
    checks.choice(basis, "basis", BASES)
    checks.kind(outcome, "outcome", (Outcome, type(None)), "what dissolve returned, or None")
    check_celsius(celsius)
    if not np.isfinite(liquid.density):
        message = f"no density of {liquid.name!r} is on record, so its dose cannot be worked out"
        raise InputError(message)
    oil_density, carrier_density = subject.density, liquid.density
    oil, other = volume_parts(*parts, oil_density=oil_density, carrier_density=carrier_density, basis=basis)
    if outcome is None:
        outcome = dissolve(subject, liquid, oil_parts=oil, carrier_parts=other, celsius=celsius)
    amount = dose(
        application, oil_parts=oil, carrier_parts=other, oil_density=oil_density, carrier_density=carrier_density
    )
    drink = None
    if application.is_drink:
        drink = clouding(
            subject,
            oil_mg_per_L=amount.oil_mg_per_L,
            liquid=liquid,
            carrier_mg_per_L=amount.carrier_mg_per_L,
            ethanol_percent=application.ethanol_percent,
        )
    return Dosing(
        subject,
        liquid,
        application,
        basis,
        *parts,
        outcome,
        amount,
        tuple(permission(part, *application.scope) for part in mass_shares(liquid)),
        law_lines(liquid, application, amount),
        taste_lines(liquid, amount.carrier_mg_per_L),
        stock_range(liquid, application, max_oil_percent=outcome.max_oil_percent, oil_density=oil_density),
        drink,
        pouring_band(liquid.viscosity(20.0)),
    )
