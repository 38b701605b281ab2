"""dilute: water that brings a spirit to a lower strength."""

from __future__ import annotations

import argparse

HELP = "water that brings a spirit to a lower strength, with contraction"
EXAMPLE = "96 70"


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    add = parser.add_argument
    add("from_percent", type=float, metavar="FROM", help="strength of the spirit, %% vol")
    add("to_percent", type=float, metavar="TO", help="strength wanted, %% vol")
    add("--volume", type=float, default=1000.0, metavar="ML", help="volume of the spirit (default 1000)")


def run(options: argparse.Namespace) -> str:
    """Return the answer."""
    from hspkit import ethanol

    made = ethanol.dilute(options.from_percent, options.to_percent, spirit_volume=options.volume)
    return (
        f"{options.volume:g} mL of {options.from_percent:g} % vol + {made.water_volume:.1f} mL of water = "
        f"{made.product_volume:.1f} mL of {options.to_percent:g} % vol at 20 C "
        f"(by mass {made.water_mass_ratio:.4f} g of water to 1 g of spirit; the volume contracts by "
        f"{made.contraction_percent:.2f} %; OIML R 22). Spirit is highly flammable."
    )
