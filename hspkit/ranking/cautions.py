"""Cautions that go with an answer about an oil and its carriers."""

from __future__ import annotations

from collections.abc import Iterable

from hspkit import data
from hspkit.application import Application
from hspkit.carriers import Blend, Carrier
from hspkit.oils import Oil

__all__ = ["carrier_cautions", "general_cautions"]


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
    topics = ["every ranking"]
    if application is None or application.is_drink:
        topics.append("drinks")
    if application is not None and application.category == "infant food":
        topics.append("infant food")
    if any(part.role == "alcohol" for liquid in liquids for part in liquid.parts):
        topics.append("alcohol")
    if not subject.caution:
        topics.append("no caution on record")
    if subject.terpene_percent > 0 and "oxidise" not in subject.caution:
        topics.append("terpenes")
    rows = data.read_table("cautions.csv").rows
    cautions = [row["text"] for topic in topics for row in rows if row["topic"] == topic]
    if subject.coverage:
        cautions.insert(0, subject.coverage)
    return (*cautions, f"{subject.name}: {subject.caution}") if subject.caution else tuple(cautions)


def carrier_cautions(liquids: Iterable[Carrier | Blend]) -> list[str]:
    """Return the cautions of carriers, part by part.

    Parameters
    ----------
    liquids : iterable of Carrier or Blend
        The carriers. [-]
    """
    return [f"{part.name}: {part.caution}" for liquid in liquids for part in liquid.parts if part.caution]
