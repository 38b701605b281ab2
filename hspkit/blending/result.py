"""What a search for a blend returns: the blends in one table, with their reasons."""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hspkit import application as product
from hspkit import checks, data
from hspkit.application import Application
from hspkit.blending.certificate import Certificate
from hspkit.blending.grid import margin_of
from hspkit.blending.problem import Found, Problem
from hspkit.carriers import NOT_LISTED, Blend, Carrier
from hspkit.errors import UnknownNameError
from hspkit.hansen import HSP
from hspkit.oils import Oil

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COLUMNS", "BlendSearch", "cautions_for", "row_of"]

#: Columns of the table of a search with their units.
COLUMNS = {
    "blend": "-",
    "carriers": "-",
    "distance": "MPa^0.5",
    "margin": "-",
    "verdict": "-",
    "p_clear": "-",
    "max_oil_percent": "% vol of the stock",
    "water_tolerance_percent": "% vol of the mixture",
    "viscosity_mPa_s": "mPa s",
    "cost_per_L": "as the prices, per L of blend",
    "carrier_mg_per_L": "mg/L",
    "legal_limit_mg_per_L": "mg/L",
    "taste_limit_mg_per_L": "mg/L",
    "under_taste_limit": "-",
    "tightest_limit": "-",
    "notes": "-",
}
#: From the best to the worst: of several oils the worst counts.
_VERDICTS = ("clear", "hazy", "unknown", "splits")


def row_of(problem: Problem, one: Found, asked: Application | None) -> dict[str, Any]:
    """Return the row of a blend in the table of a search; of several oils the worst figure counts."""
    blend = problem.blend(one)
    support, shares = np.array([one.support]), np.asarray(one.shares)[None, :]
    outcomes = problem.outcomes(one)
    full = np.zeros(len(problem.chosen))
    full[list(one.support)] = one.shares
    row: dict[str, Any] = dict.fromkeys(COLUMNS, np.nan)
    row |= {
        "blend": blend.name,
        "carriers": len(one.support),
        "distance": float(np.sqrt(problem.squared_distance(support, shares)[0])),
        "viscosity_mPa_s": blend.viscosity(20.0),
        "cost_per_L": np.nan if problem.cost is None else float(problem.cost @ full),
        "verdict": None,
        "under_taste_limit": None,
        "tightest_limit": "",
        "notes": "",
    }
    notes = [f"{part.name}: {NOT_LISTED}" for part in blend.parts if asked is None and not part.listed_name]
    if outcomes:
        row["margin"] = float(margin_of(problem, support, shares, None)[0])
        row["verdict"] = max((o.verdict for o in outcomes), key=_VERDICTS.index)
        for figure in ("p_clear", "max_oil_percent", "water_tolerance_percent"):
            row[figure] = float(np.min([getattr(o, figure) for o in outcomes]))  # unknown of one is unknown of all
        notes.extend(dict.fromkeys(o.unknown for o in outcomes if o.unknown))
        if any(o.undecided for o in outcomes):
            notes.append("undecided: within the uncertainty of the parameters, so run a trial")
    if asked is not None and outcomes:
        lightest = min((o.oil for o in outcomes), key=lambda oil: oil.density)
        amount = product.dose(
            asked,
            oil_parts=problem.parts[0],
            carrier_parts=problem.parts[1],
            oil_density=lightest.density,
            carrier_density=float(blend.volume_fractions @ [part.density for part in blend.parts]),
        )
        share = amount.carrier_mg_per_L / amount.stock_mg_per_L
        legal, _ = product.legal_limit(blend, asked, share_of_stock=share)
        taste = product.taste_limit(blend)
        row["carrier_mg_per_L"] = amount.carrier_mg_per_L
        row["legal_limit_mg_per_L"] = np.nan if legal is None else legal
        row["taste_limit_mg_per_L"] = np.nan if taste is None else taste
        row["under_taste_limit"] = product.under_taste_limit(blend, amount.carrier_mg_per_L)
        if row["under_taste_limit"] is None and taste is not None:
            notes.append(f"no taste limit on record for {', '.join(product.taste_unknown(blend))}")
    if problem.limits.names:
        slack = problem.limits.slack(full)
        slack = slack - problem.viscosity_offsets(support)[0]
        row["tightest_limit"] = problem.limits.names[int(np.argmin(slack))] if slack.min() < 1e-3 else ""
    if any(part.role == "alcohol" for part in blend.parts):
        notes.append("contains alcohol")
    row["notes"] = "; ".join(notes)
    return row


@dataclass(frozen=True, eq=False)
class BlendSearch:
    """Blends for one or several oils, best first, the best carrier alone among them.

    Parameters
    ----------
    best : Blend
        The best blend; of one carrier when no mixture is better.
    table : pandas.DataFrame
        One row a blend, columns as in `COLUMNS`: the best blend of each set of carriers, and the best carrier alone
        where it is not among them. NaN where a number is not known or was not asked for.
    certificate : Certificate
        Why the best one is the best.
    blends : tuple of Blend
        In the order of the table.
    left_out : dict
        Carriers that may not be in a blend -> reason.
    cautions : tuple of str
        Shown with every search.
    problem : Problem
        The question in numbers.
    application : Application or None
        The finished product.
    found : tuple of Found
        The blends as numbers of carriers and shares.
    """

    best: Blend
    table: pd.DataFrame
    certificate: Certificate
    blends: tuple[Blend, ...]
    left_out: Mapping[str, str]
    cautions: tuple[str, ...] = field(repr=False)
    problem: Problem = field(repr=False)
    application: Application | None = field(repr=False)
    found: tuple[Found, ...] = field(repr=False)

    def question(self) -> str:
        """Return what was asked, in one line."""
        names = [one.name if isinstance(one, Oil) else repr(one) for one in self.problem.subjects]
        oil_parts, carrier_parts = self.problem.parts
        text = f"{', '.join(names)}: {oil_parts:g} of oil to {carrier_parts:g} of blend by volume"
        text += f", at most {self.problem.max_carriers} of {len(self.problem.chosen)} carriers"
        if self.application is not None:
            text += f"; {self.application.category}, {self.application.market}"
        return text

    def limits(self) -> pd.DataFrame:
        """Return the limits of the question and how far the best blend uses them.

        Returns
        -------
        pandas.DataFrame
            limit (in words), slack (0 when met with equality, as a share of the largest number in the limit),
            multiplier (see `Certificate`).
        """
        import pandas as pd

        full = self._shares()
        support = np.flatnonzero(full)[None, :]
        slack = self.problem.limits.slack(full) - self.problem.viscosity_offsets(support)[0]
        prices = [self.certificate.multipliers.get(name, 0.0) for name in self.problem.limits.names]
        return pd.DataFrame({"limit": list(self.problem.limits.names), "slack": slack, "multiplier": prices})

    def _shares(self) -> NDArray[np.float64]:
        names = [one.name for one in self.problem.chosen]
        full = np.zeros(len(names))
        for member, share in self.best.shares.items():
            full[names.index(member.name)] = share
        return full

    def sensitivity(self, percent: float = 1.0) -> pd.DataFrame:
        """Return what a little more of each carrier does to the best blend, the others giving way in proportion.

        Parameters
        ----------
        percent : float
            How much more of the carrier, of the volume of the blend. [% vol]

        Returns
        -------
        pandas.DataFrame
            One row a carrier of the question: carrier, share_percent in the blend, then the changes of distance
            [MPa^0.5], margin [-] (of first order, by which blends are searched; it may jump where another phase
            becomes the first to separate), p_clear [-] as `dissolve` has it, viscosity_mPa_s and cost_per_L, and
            breaks: the limit that the change would break, if any.
        """
        import pandas as pd

        percent = checks.number(percent, "percent", "% vol", low=0, high=100)
        problem, full = self.problem, self._shares()
        n = len(full)
        moved = np.vstack([full, full + percent / 100.0 * (np.eye(n) - full)])
        everyone = np.tile(np.arange(n), (n + 1, 1))
        distance = np.sqrt(problem.squared_distance(everyone, moved))
        rows: dict[str, Any] = {
            "carrier": [one.name for one in problem.chosen],
            "share_percent": 100.0 * full,
            "distance": distance[1:] - distance[0],
        }
        blends = [Blend(dict(zip(problem.chosen, _whole(row), strict=True)), basis="volume") for row in moved]
        if problem.stocks:
            margin = margin_of(problem, everyone, moved, None)
            chances = np.array([problem.p_clear(blend) for blend in blends])
            rows["margin"], rows["p_clear"] = margin[1:] - margin[0], chances[1:] - chances[0]
        viscosity = np.array([blend.viscosity(20.0) for blend in blends])
        rows["viscosity_mPa_s"] = viscosity[1:] - viscosity[0]
        rows["cost_per_L"] = np.full(n, np.nan) if problem.cost is None else (moved[1:] - full) @ problem.cost
        slack = problem.limits.slack(moved[1:])
        rows["breaks"] = [
            problem.limits.names[int(np.argmin(one))] if one.size and one.min() < -1e-7 else "" for one in slack
        ]
        return pd.DataFrame(rows)

    def why(self, number: int = 0) -> str:
        """Say in sentences how one blend of the table does.

        Parameters
        ----------
        number : int
            Row of the table. [-]

        Raises
        ------
        UnknownNameError
            When there is no such row.
        """
        number = checks.whole(number, "number", low=0)
        if number >= len(self.blends):
            message = f"no row {number}; the table has rows 0 to {len(self.blends) - 1}"
            raise UnknownNameError(message)
        blend = self.blends[number]
        lines = [blend.name]
        lines.extend(f"{one.oil.name}: {one.sentence()}" for one in self.problem.outcomes(self.found[number]))
        if self.application is not None:
            asked = self.application
            for part in blend.parts:
                said = product.permission(part, asked.market, asked.category)
                cited = f" [{'; '.join(said.references)}]" if said.references else ""
                verb = "allowed" if said.allowed else "NOT allowed"
                lines.append(f"{part.name} is {verb} ({asked.market}, {asked.category}): {said.reason}{cited}")
        if number == 0:
            lines.append(str(self.certificate))
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        shown = self.table.to_html(index=False, float_format="{:.3g}".format, escape=True, border=0, na_rep="-")
        items = "".join(f"<li>{html.escape(text)}</li>" for text in self.cautions)
        said = f"<p>{html.escape(self.question())}</p>{shown}<p>{html.escape(str(self.certificate))}</p>"
        return f"{said}<ul>{items}</ul>"

    def __repr__(self) -> str:
        return f"<BlendSearch: {self.best.name}; {self.certificate.objective} {self.certificate.value:.4g}>"


def _whole(row: NDArray[np.float64]) -> list[float]:
    return [float(x) for x in row / row.sum()]


def cautions_for(subjects: Sequence[Oil | HSP], blends: Sequence[Blend]) -> tuple[str, ...]:
    """Return the cautions that belong to a table of blends, each once."""
    rows = data.read_table("cautions.csv").rows
    found = [row["text"] for row in rows if row["topic"] == "every ranking"]
    found += [said for one in subjects if isinstance(one, Oil) for said in (one.coverage, one.caution) if said]
    members: dict[str, Carrier] = {part.identity: part for blend in blends for part in blend.parts}
    found += [f"{part.name}: {part.caution}" for part in members.values() if part.caution]
    return tuple(dict.fromkeys(found))
