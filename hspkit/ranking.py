"""Rank carriers for an oil: one row a carrier, one column a reason, no score.

Rows stand in the order in which a formulator decides, and `Ranking.order` says it with every table:

1. allowed before refused, what is not for ingestion last of all, asked or not; then within the legal limit before over;
2. clear before hazy, then what is unknown because a component may crystallise, then splits;
3. fewer failing reasons first, of: taste (over its limit, or noticed at this dose where nobody states a limit), the
   carrier dissolves in the drink, pours, the drink stays clear; with as many, the one that fails the later reason;
4. fewer reasons on which nothing is known, then what is clear decided before undecided (of the others undecided first);
5. the higher probability of clear, in steps of its own sampling error; what is left is a tie, in the order of names.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from hspkit import application as product
from hspkit import checks, data, hansen, pages
from hspkit.application import Application
from hspkit.carriers import NOT_FOR_INGESTION, NOT_LISTED, Blend, Carrier, carrier, check_distinct
from hspkit.carriers import carriers as listed_carriers
from hspkit.errors import InputError, UnknownNameError
from hspkit.miscibility import DRAWS, Outcome, check_celsius, check_parts, dissolve
from hspkit.oils import Oil, covered
from hspkit.pages import number

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COLUMNS", "Ranking", "rank_carriers"]

#: Columns of a ranking's table with their units.
COLUMNS = {
    "carrier": "-",
    "verdict": "-",
    "p_clear": "-",
    "undecided": "-",
    "max_oil_percent": "% vol of the stock",
    "water_tolerance_percent": "% vol of the mixture",
    "distance": "MPa^0.5",
    "spinodal_index": "-",
    "carrier_mg_per_L": "mg/L",
    "legal_limit_mg_per_L": "mg/L",
    "taste_limit_mg_per_L": "mg/L",
    "least_carrier_parts": "parts by volume per part of oil",
    "most_carrier_parts": "parts by volume per part of oil",
    "allowed": "-",
    "clear": "-",
    "under_legal_limit": "-",
    "under_taste_limit": "-",
    "viscosity_mPa_s": "mPa s",
    "pours": "-",
    "carrier_dissolves_in_drink": "-",
    "drink_stays_clear": "-",
    "oil_covered_percent": "mass % of the oil",
    "notes": "-",
}


def _known(value: Any) -> bool:
    return not (value is None or value == "" or (isinstance(value, float) and np.isnan(value)))


def _yes_no(value: Any) -> str:
    return "yes" if value is True else "NO" if value is False else "-"


def _percent(value: float) -> str:
    return "any" if value >= 100 else "<0.1" if 0 < value < 0.1 else number(value)


#: Key, heading, unit and form of the columns of a page, in the order of the questions.
_SHOWN: tuple[tuple[str, str, str, Callable[[Any], str]], ...] = (
    ("carrier", "carrier", "", str),
    ("verdict", "stock", "", str),
    ("p_clear", "p(clear)", "", "{:.2f}".format),
    ("max_oil_percent", "max oil", "% vol", _percent),
    ("water_tolerance_percent", "water", "% vol", _percent),
    ("distance", "Ra", "MPa^0.5", number),
    ("spinodal_index", "index", "L", number),
    ("carrier_mg_per_L", "dose", "mg/L", number),
    ("legal_limit_mg_per_L", "legal limit", "mg/L", number),
    ("taste_limit_mg_per_L", "taste limit", "mg/L", number),
    ("viscosity_mPa_s", "at 20 C", "mPa s", number),
    ("allowed", "allowed", "", _yes_no),
    ("clear", "clear", "", _yes_no),
    ("under_legal_limit", "under legal limit", "", _yes_no),
    ("under_taste_limit", "under taste limit", "", _yes_no),
    ("pours", "pours", "", _yes_no),
    ("carrier_dissolves_in_drink", "carrier dissolves in drink", "", _yes_no),
    ("drink_stays_clear", "drink stays clear", "", _yes_no),
)
_LEGEND = (
    "Stock: oil and carrier. p(clear): probability of clear. Max oil: cloud point as oil is added. Water: cloud point "
    "as water is added. Ra: Hansen distance to the oil. Index: the stock unmixes by itself from L = 1 on. "
    "Doses and limits: of the carrier, in the finished product. A dash: not known or not asked."
)
_VERDICTS = ("clear", "hazy", "unknown", "splits")
#: Key of a row, not a column: a part is noticed at this dose and nobody states a limit for its taste.
_NOTICED = "noticed_without_limit"
#: Key of a row, not a column: a part is not for ingestion.
_POISON = "not_for_ingestion"
#: Reasons that order carriers of one verdict, in this order.
_REASONS = ("under_taste_limit", "carrier_dissolves_in_drink", "pours", "drink_stays_clear")
#: Sampling error of a probability from `miscibility.DRAWS` draws, at most: that of counting them [-].
_STEP = 0.5 / DRAWS**0.5
_ORDER = (
    "Order: allowed (what is not for ingestion last), within the law, clear before hazy before unknown before splits; "
    "then fewest failing reasons (taste: over its limit, or noticed where no limit is stated; carrier dissolves in the "
    "drink; pours; drink stays clear), fewest unknown, decided before undecided, probability of clear."
)
#: Strengths of ethanol that everyone in the trade knows. [% vol]
YARDSTICKS = (40, 70, 96)


def candidates() -> list[Carrier | Blend]:
    """Return the carriers that are ranked when none are named.

    All that can be computed with, but for plain alcohol; the liquids mistaken for carriers stay in, so that the
    table shows them refused.

    Examples
    --------
    >>> names = [one.name for one in candidates()]
    >>> "propylene glycol" in names, "dipropylene glycol" in names, "ethanol" in names
    (True, True, False)
    """
    rows = listed_carriers()
    return [carrier(name) for name, role in zip(rows["carrier"], rows["role"], strict=True) if role != "alcohol"]


def general_cautions(
    subject: Oil, application: Application | None = None, liquids: Iterable[Carrier | Blend] = ()
) -> tuple[str, ...]:
    """Return the cautions that go with an answer about an oil.

    Parameters
    ----------
    subject : Oil
        The oil; its own cautions are among them. [-]
    application : Application, optional
        The product: drinks and food for infants have cautions of their own. [-]
    liquids : iterable of Carrier or Blend
        The carriers; alcohol has one of its own. [-]

    Examples
    --------
    >>> from hspkit.oils import oil
    >>> any("oxidise" in text for text in general_cautions(oil("limonene")))
    True
    """
    rows = data.read_table("cautions.csv").rows
    topics = ["every ranking"]
    if application is None or application.is_drink:
        topics.append("drinks")
    if application is not None and application.category == "infant food":
        topics.append("infant food")
    if any(part.role == "alcohol" for one in liquids for part in one.parts):
        topics.append("alcohol")
    if not subject.caution:
        topics.append("no caution on record")
    if subject.terpene_percent > 0 and "oxidise" not in subject.caution:
        topics.append("terpenes")
    said = [row["text"] for topic in topics for row in rows if row["topic"] == topic]
    if subject.coverage:
        said.insert(0, subject.coverage)
    return (*said, f"{subject.name}: {subject.caution}") if subject.caution else tuple(said)


@dataclass(frozen=True)
class Ranking:
    """Carriers for one oil, best first.

    Parameters
    ----------
    oil : Oil
        The oil that was asked about.
    table : pandas.DataFrame
        One row a carrier, columns as in `COLUMNS`. A number that is not known is NaN, a question that was not
        asked (no application given) is None; but a liquid that is not for ingestion is not allowed, asked or not.
    application : Application or None
        The finished product.
    oil_parts, carrier_parts : float
        Parts by volume. [-]
    celsius : float
        Temperature. [degC]
    outcomes : tuple of Outcome
        What `dissolve` said, in the order of the table.
    cautions : tuple of str
        Printed with every ranking.
    yardsticks : tuple of str
        Names of the alcohols that were added for comparison; none of them is `best`. [-]
    """

    oil: Oil
    table: pd.DataFrame
    application: Application | None
    oil_parts: float
    carrier_parts: float
    celsius: float
    outcomes: tuple[Outcome, ...]
    cautions: tuple[str, ...]
    yardsticks: tuple[str, ...] = ()

    @property
    def best(self) -> str | None:
        """Name of the first carrier, yardsticks aside, that is allowed, within its legal limit and clear; else None.

        A liquid in no list of carriers is never it: nothing permits one to eat it.
        """
        for row, outcome in zip(self.table.to_dict("records"), self.outcomes, strict=True):
            refused = row["allowed"] is False or row["under_legal_limit"] is False
            listed = all(part.listed_name for part in outcome.carrier.parts)
            if listed and not refused and row["verdict"] == "clear" and row["carrier"] not in self.yardsticks:
                return str(row["carrier"])
        return None

    @property
    def not_for_ingestion(self) -> tuple[str, ...]:
        """Names of the liquids among them that must never be in food, whatever they dissolve."""
        return tuple(one.carrier.name for one in self.outcomes if one.carrier.not_for_ingestion)

    def shown(self) -> list[dict[str, Any]]:
        """Return the rows as a page or a screen shows them: such a liquid has these words in place of its outcome.

        Examples
        --------
        >>> ranking = rank_carriers("limonene", carriers=["diethyl phthalate", "glycerol"])
        >>> [(row["carrier"], row["verdict"]) for row in ranking.shown()]
        [('glycerol', 'splits'), ('diethyl phthalate', 'not for ingestion')]
        """
        rows = [{str(k): v for k, v in row.items()} for row in self.table.to_dict("records")]
        barred = self.not_for_ingestion
        return [row | ({"verdict": NOT_FOR_INGESTION} if row["carrier"] in barred else {}) for row in rows]

    def row(self, name: str) -> dict[str, Any]:
        """Return one row of the table as a dictionary.

        Parameters
        ----------
        name : str
            A carrier of this ranking. [-]

        Raises
        ------
        UnknownNameError
            When the carrier was not ranked.
        """
        names = [str(n) for n in self.table["carrier"]]
        wanted = name if isinstance(name, str) and name in names else carrier(name).name
        if wanted not in names:
            message = f"{name!r} is not in this ranking; ranked: {', '.join(names)}"
            raise UnknownNameError(message)
        return {str(k): v for k, v in self.table.iloc[names.index(wanted)].to_dict().items()}

    def why(self, name: str) -> str:
        """Say in sentences how one carrier did and why.

        Parameters
        ----------
        name : str
            A carrier of this ranking. [-]

        Examples
        --------
        >>> soda = Application("US", "soft drinks", oil_mg_per_L=40)
        >>> ranking = rank_carriers("sweet orange, cold-pressed", application=soda)
        >>> "not permitted" in ranking.why("dipropylene glycol")
        True
        """
        row = self.row(name)
        index = list(self.table["carrier"]).index(row["carrier"])
        outcome = self.outcomes[index]
        lines = [f"{row['carrier']}: {outcome.sentence()}"]
        if row["carrier"] in self.not_for_ingestion:
            lines.insert(0, f"{row['carrier']}: {NOT_FOR_INGESTION}, refused whatever it dissolves.")
        if self.application is not None:
            lines.extend(_legal_words(self.application, outcome))
        if row["notes"]:
            lines.append(str(row["notes"]))
        return "\n".join(lines)

    def question(self) -> str:
        """Return what was asked, in one line."""
        parts = f"{_parts(self.oil_parts)} of oil + {_parts(self.carrier_parts)} of carrier by volume"
        text = f"{self.oil.label}: {parts}, {self.celsius:g} C"
        if self.application is not None:
            asked = self.application
            level = (
                f"{asked.oil_mg_per_L:g} mg/L of oil"
                if asked.oil_mg_per_L is not None
                else f"{asked.stock_mg_per_L:g} mg/L of stock"
            )
            text += f"; {asked.category}, {asked.market}, {level}"
        return text

    def drink(self) -> str:
        """Return what becomes of the oil in the finished drink, in one line; empty without an application.

        The carrier makes no difference to that, unless it does not dissolve in the drink itself.
        """
        if self.application is None:
            return ""
        if self.application.oil_mg_per_L is None:
            rows = self.table[[allowed is not False for allowed in self.table["allowed"]]]
            doses = rows["carrier_mg_per_L"].dropna().to_numpy(dtype=float)
            held = float(np.max(self.application.stock_mg_per_L - doses, initial=-np.inf))
        else:
            held = self.application.oil_mg_per_L
        if not self.application.is_drink or not np.isfinite(held):
            return ""
        clouds = product.clouding(self.oil, oil_mg_per_L=held, ethanol_percent=self.application.ethanol_percent)
        state = "stays dissolved in the finished drink" if clouds.stays_clear else "clouds the finished drink"
        first = f"; first to separate is {clouds.makers[0][0]}" if clouds.makers else ""
        advice = "" if clouds.stays_clear else " Make an emulsion, or use a washed (terpene-poor) extract."
        most = "" if self.application.oil_mg_per_L is not None else "up to "
        return f"{most}{number(held)} mg/L of this oil {state}: {clouds.times()}{first}.{advice}"

    def headline(self) -> str:
        """Return what comes first, in one sentence.

        Examples
        --------
        >>> rank_carriers("limonene", carriers=["MCT", "glycerol"]).headline()
        'First: MCT.'
        """
        if self.best:
            return f"First: {self.best}."
        return "No carrier is known to be allowed, within its limit and clear."

    def notes(self) -> tuple[str, ...]:
        """Return what is to be said of the oil, then of each carrier in the order of the table."""
        said = [f"{row['carrier']}: {row['notes']}" for row in self.table.to_dict("records") if row["notes"]]
        return (*self.oil.notes, *said)

    @property
    def order(self) -> str:
        """The rule by which the rows stand as they do, in words."""
        return _ORDER

    def to_csv(self, path: str | Path | None = None) -> str:
        """Return the table as csv that a spreadsheet cannot run, and write it when a path is given.

        Parameters
        ----------
        path : str or Path, optional
            File to write, whole or not at all. [-]

        Examples
        --------
        >>> rank_carriers("limonene", carriers=["MCT"]).to_csv().splitlines()[0][:25]
        'carrier,verdict,p_clear,u'
        """
        text = pages.csv_text(self.table)
        if path is not None:
            pages.write_text(path, text + "\n")
        return text

    def to_html(self, path: str | Path | None = None) -> str:
        """Return the ranking as a page that opens offline, and write it when a path is given.

        Parameters
        ----------
        path : str or Path, optional
            File to write, whole or not at all. [-]

        Returns
        -------
        str
            HTML without scripts; every text that came from outside is escaped.

        Raises
        ------
        InputError
            When the folder of the file is not there.

        Examples
        --------
        >>> page = rank_carriers("limonene", carriers=["MCT"]).to_html()
        >>> page.startswith("<!DOCTYPE html>"), "<script" in page
        (True, False)
        """
        page = pages.html_page(f"Carriers for {self.oil.name}", self._body())
        if path is not None:
            pages.write_text(path, page)
        return page

    def _body(self) -> str:
        shown = [
            (key, heading, unit, form)
            for key, heading, unit, form in _SHOWN
            if any(_known(value) for value in self.table[key])
        ]
        rows = [[form(row[key]) for key, _, _, form in shown] for row in self.shown()]
        return "".join(
            [
                f"<h1>{html.escape(pages.plain(self.oil.name))}</h1>",
                f"<p>{html.escape(pages.plain(self.question()))}</p>",
                f"<p><strong>{html.escape(pages.plain(self.headline()))}</strong>",
                f" {html.escape(pages.plain(self.drink()))}</p>",
                '<div class="wide">',
                pages.html_table([(heading, unit) for _, heading, unit, _ in shown], rows, left=2),
                "</div>",
                f'<p class="small">{html.escape(_LEGEND)} {html.escape(self.order)}</p>',
                f"<h2>Notes</h2>{pages.html_list(self.notes())}",
                f"<h2>Cautions</h2>{pages.html_list(self.cautions)}",
            ]
        )

    def _repr_html_(self) -> str:
        return self._body()

    def __repr__(self) -> str:
        return f"<Ranking of {len(self.table)} carriers for {self.oil.name}; best: {self.best}>"


def _parts(count: float) -> str:
    return f"{count:g} part" if count == 1 else f"{count:g} parts"


def _legal_words(asked: Application, outcome: Outcome) -> list[str]:
    lines = []
    for part in outcome.carrier.parts:
        said = product.permission(part, asked.market, asked.category)
        verb = "allowed" if said.allowed else "NOT allowed"
        cited = f" [{'; '.join(said.references)}]" if said.references else ""
        lines.append(f"{part.name} is {verb} ({asked.market}, {asked.category}): {said.reason}{cited}")
    if np.isfinite(outcome.carrier.density):
        amount = product.dose(
            asked,
            oil_parts=outcome.oil_parts,
            carrier_parts=outcome.carrier_parts,
            oil_density=outcome.oil.density,
            carrier_density=outcome.carrier.density,
        )
        numbers = [one for one in product.law_lines(outcome.carrier, asked, amount) if np.isfinite(one.limit)]
        lines.extend(line.sentence() for line in numbers)
    return [*lines, product.CHECK_THE_LAW]


def rank_carriers(
    oil_or_name: Oil | str,
    *,
    oil_parts: float = 1,
    carrier_parts: float = 2,
    application: Application | None = None,
    carriers: Iterable[str | Carrier | Blend] | None = None,
    include_alcohol: bool = False,
    celsius: float = 25.0,
    progress: bool = False,
) -> Ranking:
    """Rank carriers for an oil.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil. [-]
    oil_parts, carrier_parts : float
        Parts by volume. [-]
    application : Application, optional
        The finished product; without it law, dose and clouding are not judged.
    carriers : iterable of str, Carrier or Blend, optional
        Candidates; default all shipped carriers, the look-alikes that are refused among them. [-]
    include_alcohol : bool
        Add ethanol of 40, 70 and 96 % vol as a yardstick. [-]
    celsius : float
        Temperature of the stock. [degC]
    progress : bool
        Show a progress bar when ``tqdm`` is installed. [-]

    Returns
    -------
    Ranking
        Best first; `Ranking.why` gives the reasons of one row.

    Raises
    ------
    UnknownNameError
        For an unknown or ambiguous oil or carrier, with near names.
    InputError
        For parts that are not positive, or two different candidates with one name.

    Examples
    --------
    >>> ranking = rank_carriers("sweet orange, cold-pressed", carriers=["glycerol", "MCT"])
    >>> ranking.table["verdict"].tolist()
    ['clear', 'splits']
    """
    import pandas as pd

    subject = covered(oil_or_name)
    parts, warmth = check_parts(oil_parts, carrier_parts), check_celsius(celsius)
    if application is not None:
        product.check_application(application)
    checks.flag(include_alcohol, "include_alcohol")
    checks.flag(progress, "progress")
    named = candidates() if carriers is None else checks.several(carriers, "carriers", "['triacetin', 'MCT']")
    chosen = [carrier(one) for one in named]
    check_distinct(chosen)
    given = {one.name for one in chosen}
    added = [carrier(f"ethanol {strength} % vol") for strength in YARDSTICKS] if include_alcohol else []
    added = [one for one in added if one.name not in given]
    chosen = [*chosen, *added]
    if not chosen:
        message = "carriers is empty; give at least one name, or leave it out to rank all that ship"
        raise InputError(message)
    rows, outcomes = [], []
    for candidate in _watched(chosen) if progress else chosen:
        outcome = dissolve(subject, candidate, oil_parts=parts[0], carrier_parts=parts[1], celsius=warmth)
        row = _row(candidate, outcome, application)
        if candidate in added:
            row["notes"] = "; ".join(filter(None, ["yardstick, not a carrier without alcohol", row["notes"]]))
        rows.append(row)
        outcomes.append(outcome)
    order = sorted(range(len(rows)), key=lambda i: _order(rows[i]))
    table = pd.DataFrame([rows[i] for i in order], columns=list(COLUMNS))
    cautions = tuple(
        dict.fromkeys(
            [
                *general_cautions(subject, application, chosen),
                *_carrier_cautions(chosen, rows),
            ]
        )
    )
    return Ranking(
        subject,
        table,
        application,
        *parts,
        warmth,
        tuple(outcomes[i] for i in order),
        cautions,
        tuple(one.name for one in added),
    )


def _watched(chosen: list[Carrier | Blend]) -> Iterable[Carrier | Blend]:
    try:
        from tqdm import tqdm
    except ImportError:
        return chosen
    bar: Iterable[Carrier | Blend] = tqdm(chosen, desc="carriers", leave=False)
    return bar


def _order(row: dict[str, Any]) -> tuple[Any, ...]:
    failing = tuple(
        row[reason] is False or (reason == "under_taste_limit" and row.get(_NOTICED, False)) for reason in _REASONS
    )
    return (
        row["allowed"] is False,
        row.get(_POISON, False),
        row["under_legal_limit"] is False,
        _VERDICTS.index(row["verdict"]),
        sum(failing),
        failing,
        sum(row[reason] is None for reason in _REASONS),
        row["undecided"] is (row["verdict"] == "clear"),
        -round((row["p_clear"] if np.isfinite(row["p_clear"]) else 0.0) / _STEP),
        row["carrier"],
    )


def _row(candidate: Carrier | Blend, outcome: Outcome, asked: Application | None) -> dict[str, Any]:
    viscosity = candidate.viscosity(20.0)
    band = product.pouring_band(viscosity)
    taste = product.taste_limit(candidate)
    row: dict[str, Any] = {
        "carrier": candidate.name,
        "verdict": outcome.verdict,
        "p_clear": outcome.p_clear,
        "undecided": outcome.undecided,
        "max_oil_percent": outcome.max_oil_percent,
        "water_tolerance_percent": outcome.water_tolerance_percent,
        "distance": float(hansen.distance(outcome.oil.hsp, candidate.hsp)),
        "spinodal_index": outcome.spinodal_index,
        "carrier_mg_per_L": np.nan,
        "legal_limit_mg_per_L": np.nan,
        "taste_limit_mg_per_L": np.nan if taste is None else taste,
        _NOTICED: False,
        _POISON: candidate.not_for_ingestion,
        "least_carrier_parts": np.nan,
        "most_carrier_parts": np.nan,
        "allowed": False if candidate.not_for_ingestion else None,
        "clear": None if outcome.unknown else outcome.verdict == "clear",
        "under_legal_limit": None,
        "under_taste_limit": None,
        "viscosity_mPa_s": viscosity,
        "pours": None if band is None else band.pours,
        "carrier_dissolves_in_drink": None,
        "drink_stays_clear": None,
        "oil_covered_percent": outcome.oil.covered_percent,
        "notes": "",
    }
    notes = _warnings(candidate, asked)
    if outcome.undecided and not candidate.not_for_ingestion:
        notes.append("undecided: within the uncertainty of the parameters, so run a trial")
    if asked is not None:
        notes.extend(_judge(row, outcome, asked))
    if band is None:
        notes.append("viscosity not on record")
    elif not band.pours:
        notes.append(f"thick: {band.band}; {band.advice}")
    if outcome.unknown:
        notes.append(outcome.unknown)
    elif outcome.verdict != "clear" and outcome.limiting_components:
        limit = ", ".join(outcome.limiting_components)
        notes.append(f"clouded first by wax ({limit}): chill and filter" if outcome.wax_haze else f"limited by {limit}")
    if outcome.extent.carrier_separates:
        notes.append("the carriers do not mix with each other by themselves")
    row["notes"] = "; ".join(notes).replace(".; ", ". ")
    return row


def _warnings(candidate: Carrier | Blend, asked: Application | None) -> list[str]:
    """Return what to read first: that it is not for ingestion or, unless a market has the word, not listed."""
    found = []
    for part in candidate.parts:
        unlisted = NOT_LISTED if asked is None and not part.listed_name else ""
        said = part.caution if part.not_for_ingestion else unlisted
        if said:
            found.append(said if len(candidate.parts) == 1 else f"{part.name}: {said}")
    return found


def _judge(row: dict[str, Any], outcome: Outcome, asked: Application) -> list[str]:
    """Fill the columns that need a finished product; return what to note."""
    liquid = outcome.carrier
    notes: list[str] = []
    said = [product.permission(part, asked.market, asked.category) for part in liquid.parts]
    row["allowed"] = all(one.allowed for one in said)
    alone = len(said) == 1
    for one, part in zip(said, liquid.parts, strict=True):
        warned = part.not_for_ingestion and part.caution in one.reason  # `_warnings` has it
        if not one.allowed and not warned:
            notes.append(one.reason if alone else f"{one.carrier}: {one.reason}")
    if not np.isfinite(liquid.density):
        return [*notes, "density not on record, so no dose"]
    amount = product.dose(
        asked,
        oil_parts=outcome.oil_parts,
        carrier_parts=outcome.carrier_parts,
        oil_density=outcome.oil.density,
        carrier_density=liquid.density,
    )
    row["carrier_mg_per_L"] = amount.carrier_mg_per_L
    stock = product.stock_range(liquid, asked, max_oil_percent=outcome.max_oil_percent, oil_density=outcome.oil.density)
    row["least_carrier_parts"], row["most_carrier_parts"] = stock.most_concentrated, stock.most_dilute
    if row["allowed"]:
        share = amount.carrier_mg_per_L / amount.stock_mg_per_L
        limit, rule = product.legal_limit(liquid, asked, share_of_stock=share)
        row["legal_limit_mg_per_L"] = np.nan if limit is None else limit
        row["under_legal_limit"] = limit is None or amount.carrier_mg_per_L <= limit
        if not row["under_legal_limit"]:
            notes.append(f"over the legal limit: {rule}")
    row["under_taste_limit"] = product.under_taste_limit(liquid, amount.carrier_mg_per_L)
    if row["under_taste_limit"] is False:
        notes.append("over the taste limit of the trade")
    elif np.isfinite(row["taste_limit_mg_per_L"]) and row["under_taste_limit"] is None:
        notes.append(f"no taste limit on record for {', '.join(product.taste_unknown(liquid))}")
    noticed = [line for line in product.taste_lines(liquid, amount.carrier_mg_per_L) if line.dose > line.noticed_from]
    row[_NOTICED] = any(not np.isfinite(line.limit) for line in noticed)
    if row["under_taste_limit"] is not False:
        notes.extend(f"may be tasted: noticed from about {number(line.noticed_from)} mg/L" for line in noticed)
    if asked.is_drink:
        spirit = asked.ethanol_percent
        dissolves = product.carrier_dissolves(liquid, amount.carrier_mg_per_L, ethanol_percent=spirit)
        row["carrier_dissolves_in_drink"] = dissolves
        row["drink_stays_clear"] = product.clouding(
            outcome.oil,
            oil_mg_per_L=amount.oil_mg_per_L,
            liquid=liquid,
            carrier_mg_per_L=amount.carrier_mg_per_L,
            ethanol_percent=spirit,
        ).stays_clear
        if not dissolves:
            notes.append("the carrier itself does not dissolve in the drink")
    return notes


def _carrier_cautions(chosen: Iterable[Carrier | Blend], rows: Iterable[dict[str, Any]]) -> list[str]:
    """Cautions of the carriers that are not refused, each said once."""
    return [
        f"{part.name}: {part.caution}"
        for one, row in zip(chosen, rows, strict=True)
        if row["allowed"] is not False
        for part in one.parts
        if part.caution
    ]
