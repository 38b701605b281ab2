"""dissolve: one oil in one carrier."""

from __future__ import annotations

import argparse

import hspkit
from hspkit import rendering
from hspkit.shell.options import add_carrier, add_form, add_oil, add_ratio
from hspkit.shell.output import as_json
from hspkit.shell.reading import STOCK, arguments, read_liquid, read_prepared_oil

HELP = "one oil in one carrier: clear, hazy or splits"
EXAMPLE = "clove_oil.csv triacetin"
#: Attributes of an outcome in csv and json.
_COLUMNS = (
    "oil_parts", "carrier_parts", "celsius", "verdict", "p_clear", "p_hazy", "p_splits", "undecided",
    "least_oil_percent", "max_oil_percent", "water_tolerance_percent", "spinodal_index", "second_phase_percent",
    "unknown",
)  # fmt: skip


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    add_oil(parser)
    add_carrier(parser)
    add_ratio(parser)
    add_form(parser)


def run(options: argparse.Namespace) -> str:
    """Return the answer."""
    stock = arguments(options, *STOCK)
    outcome = hspkit.dissolve(read_prepared_oil(options), read_liquid(options.carrier), **stock)
    oil, carrier = outcome.oil, outcome.carrier
    if not options.csv and not options.json:
        return rendering.plain(f"{oil.name} in {carrier.name}: {outcome.sentence()}")
    import pandas as pd

    row = {
        "oil": oil.name,
        "carrier": carrier.name,
        "oil_covered_percent": oil.covered_percent,
        **{name: getattr(outcome, name) for name in _COLUMNS},
        "limiting_components": "; ".join(outcome.limiting_components),
        "advice": " ".join(outcome.advice),
        "caution": carrier.caution,
    }
    frame = pd.DataFrame([row])
    return rendering.csv_text(frame) if options.csv else as_json(frame)
