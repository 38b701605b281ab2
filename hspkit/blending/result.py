"""What a search for a blend returns: the blends in one table, with their reasons."""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from hspkit import application as product
from hspkit import checks, data
from hspkit.application import Application
from hspkit.blending.certificate import Certificate, certify
from hspkit.blending.exact import Search
from hspkit.blending.grid import margin_of
from hspkit.blending.objectives import Objective
from hspkit.blending.problem import Problem, Recipe
from hspkit.carriers import NOT_LISTED, Blend, Carrier
from hspkit.errors import UnknownNameError
from hspkit.oils import Oil

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COLUMNS", "BlendSearch", "row_of"]

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


def row_of(problem: Problem, recipe: Recipe, application: Application | None) -> dict[str, Any]:
    """Return the row of a blend in the table of a search; of several oils the worst figure counts."""
    blend = problem.blend(recipe)
    support, shares = np.array([recipe.support]), np.asarray(recipe.shares)[None, :]
    outcomes = problem.outcomes(recipe)
    fractions = problem.fractions(recipe)
    row: dict[str, Any] = dict.fromkeys(COLUMNS, np.nan)
    row |= {
        "blend": blend.name,
        "carriers": len(recipe.support),
        "distance": float(np.sqrt(problem.squared_distance(support, shares)[0])),
        "viscosity_mPa_s": blend.viscosity(20.0),
        "cost_per_L": np.nan if problem.cost is None else float(problem.cost @ fractions),
        "verdict": None,
        "under_taste_limit": None,
        "tightest_limit": "",
    }
    notes = [f"{part.name}: {NOT_LISTED}" for part in blend.parts if application is None and not part.listed_name]
    if outcomes:
        row["margin"] = float(margin_of(problem, support, shares, None)[0])
        row["verdict"] = max((outcome.verdict for outcome in outcomes), key=_VERDICTS.index)
        for figure in ("p_clear", "max_oil_percent", "water_tolerance_percent"):
            # unknown of one oil is unknown of all
            row[figure] = float(np.min([getattr(outcome, figure) for outcome in outcomes]))
        notes.extend(dict.fromkeys(outcome.unknown for outcome in outcomes if outcome.unknown))
        if any(outcome.undecided for outcome in outcomes):
            notes.append("undecided: within the uncertainty of the parameters, so run a trial")
    if application is not None and outcomes:
        row |= _doses(problem, blend, application)
        if row["under_taste_limit"] is None and np.isfinite(row["taste_limit_mg_per_L"]):
            notes.append(f"no taste limit on record for {', '.join(product.taste_unknown(blend))}")
    if problem.limits.names:
        slack = problem.slack(fractions)
        row["tightest_limit"] = problem.limits.names[int(np.argmin(slack))] if slack.min() < 1e-3 else ""
    if any(part.role == "alcohol" for part in blend.parts):
        notes.append("contains alcohol")
    return row | {"notes": "; ".join(notes)}


def _doses(problem: Problem, blend: Blend, application: Application) -> dict[str, float | bool | None]:
    """Return dose and limits of a blend in the finished product; the lightest oil brings the largest dose."""
    amount = product.dose(
        application,
        oil_parts=problem.parts[0],
        carrier_parts=problem.parts[1],
        oil_density=min(oil.density for oil in problem.oils),
        carrier_density=float(blend.volume_fractions @ [part.density for part in blend.parts]),
    )
    share = amount.carrier_mg_per_L / amount.stock_mg_per_L
    legal, _ = product.legal_limit(blend, application, share_of_stock=share)
    taste = product.taste_limit(blend)
    return {
        "carrier_mg_per_L": amount.carrier_mg_per_L,
        "legal_limit_mg_per_L": np.nan if legal is None else legal,
        "taste_limit_mg_per_L": np.nan if taste is None else taste,
        "under_taste_limit": product.under_taste_limit(blend, amount.carrier_mg_per_L),
    }


@dataclass(frozen=True, eq=False)
class BlendSearch:
    """Blends for one or several oils, best first, the best carrier alone among them.

    Parameters
    ----------
    table : pandas.DataFrame
        One row a blend, columns as in `COLUMNS`: the best blend of each set of carriers, and the best carrier alone
        where it is not among them. NaN where a number is not known or was not asked for.
    certificate : Certificate
        Why the best one is the best.
    blends : tuple of Blend
        In the order of the table.
    left_out : dict
        Carriers that may not be in a blend -> reason.
    problem : Problem
        The question in numbers.
    application : Application or None
        The finished product.
    recipes : tuple of Recipe
        The blends as numbers of carriers and shares.
    """

    table: pd.DataFrame
    certificate: Certificate
    blends: tuple[Blend, ...]
    left_out: Mapping[str, str]
    problem: Problem = field(repr=False)
    application: Application | None = field(repr=False)
    recipes: tuple[Recipe, ...] = field(repr=False)

    @classmethod
    def of(
        cls,
        problem: Problem,
        search: Search,
        objective: Objective,
        left_out: Mapping[str, str],
        application: Application | None,
    ) -> BlendSearch:
        """Return the blends of a search with the best carrier alone, as a table with its certificate."""
        import pandas as pd

        recipes = list(search.recipes)
        if search.single is not None and search.single.support not in [recipe.support for recipe in recipes]:
            recipes.append(search.single)
        rows = [row_of(problem, recipe, application) for recipe in recipes]
        for row, recipe in zip(rows, recipes, strict=True):
            if search.single is not None and recipe.support == search.single.support:
                row["notes"] = "; ".join(filter(None, [row["notes"], "best carrier alone"]))
        table = pd.DataFrame(rows, columns=list(COLUMNS))
        blends = tuple(problem.blend(recipe) for recipe in recipes)
        certificate = certify(problem, search, objective)
        return cls(table, certificate, blends, left_out, problem, application, tuple(recipes))

    @property
    def best(self) -> Blend:
        """The best blend; of one carrier when no mixture is better."""
        return self.blends[0]

    @cached_property
    def cautions(self) -> tuple[str, ...]:
        """Shown with every search, each once."""
        texts = [row["text"] for row in data.read_table("cautions.csv").rows if row["topic"] == "every ranking"]
        texts += [text for oil in self.problem.oils for text in (oil.coverage, oil.caution) if text]
        members: dict[str, Carrier] = {part.identity: part for blend in self.blends for part in blend.parts}
        texts += [f"{part.name}: {part.caution}" for part in members.values() if part.caution]
        return tuple(dict.fromkeys(texts))

    def question(self) -> str:
        """Return what was asked, in one line."""
        names = [subject.name if isinstance(subject, Oil) else repr(subject) for subject in self.problem.subjects]
        oil_parts, carrier_parts = self.problem.parts
        text = f"{', '.join(names)}: {oil_parts:g} of oil to {carrier_parts:g} of blend by volume"
        text += f", at most {self.problem.max_carriers} of {len(self.problem.carriers)} carriers"
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

        names = self.problem.limits.names
        slack = self.problem.slack(self.problem.fractions(self.recipes[0]))
        multipliers = [self.certificate.multipliers.get(name, 0.0) for name in names]
        return pd.DataFrame({"limit": list(names), "slack": slack, "multiplier": multipliers})

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
        problem, best = self.problem, self.recipes[0]
        now = problem.fractions(best) / best.shares.sum()
        n = len(now)
        moved = np.vstack([now, now + percent / 100.0 * (np.eye(n) - now)])
        everyone = np.tile(np.arange(n), (n + 1, 1))
        distance = np.sqrt(problem.squared_distance(everyone, moved))
        rows: dict[str, Any] = {
            "carrier": [carrier.name for carrier in problem.carriers],
            "share_percent": 100.0 * now,
            "distance": distance[1:] - distance[0],
        }
        normal = (moved / moved.sum(axis=1, keepdims=True)).tolist()
        blends = [Blend(dict(zip(problem.carriers, row, strict=True)), basis="volume") for row in normal]
        if problem.stocks:
            margin = margin_of(problem, everyone, moved, None)
            chances = np.array([problem.p_clear(blend) for blend in blends])
            rows["margin"], rows["p_clear"] = margin[1:] - margin[0], chances[1:] - chances[0]
        viscosity = np.array([blend.viscosity(20.0) for blend in blends])
        rows["viscosity_mPa_s"] = viscosity[1:] - viscosity[0]
        rows["cost_per_L"] = np.full(n, np.nan) if problem.cost is None else (moved[1:] - now) @ problem.cost
        slack = problem.limits.slack(moved[1:])
        rows["breaks"] = [
            problem.limits.names[int(np.argmin(row))] if row.size and row.min() < -1e-7 else "" for row in slack
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
        outcomes = self.problem.outcomes(self.recipes[number])
        lines.extend(f"{outcome.oil.name}: {outcome.sentence()}" for outcome in outcomes)
        if self.application is not None:
            market, category = self.application.market, self.application.category
            for part in blend.parts:
                permission = product.permission(part, market, category)
                cited = f" [{'; '.join(permission.references)}]" if permission.references else ""
                verb = "allowed" if permission.allowed else "NOT allowed"
                lines.append(f"{part.name} is {verb} ({market}, {category}): {permission.reason}{cited}")
        if number == 0:
            lines.append(str(self.certificate))
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        shown = self.table.to_html(index=False, float_format="{:.3g}".format, escape=True, border=0, na_rep="-")
        items = "".join(f"<li>{html.escape(text)}</li>" for text in self.cautions)
        return f"<p>{html.escape(self.question())}</p>{shown}{self.certificate._repr_html_()}<ul>{items}</ul>"

    def __repr__(self) -> str:
        return f"<BlendSearch: {self.best.name}; {self.certificate.objective} {self.certificate.value:.4g}>"
