"""``python -m hspkit.workshop.reconciled`` writes ``datasets/reconciled.csv`` from the tables, to the last digit."""

from __future__ import annotations

import argparse
import csv
import io
from collections import Counter
from pathlib import Path

import numpy as np

from hspkit import data
from hspkit.calibration import calibration
from hspkit.evidence.facts import KINDS, facts, liquids, prior_sd
from hspkit.evidence.joint import Fit
from hspkit.evidence.reconcile import FLAG
from hspkit.evidence.shipped import fit_shipped

__all__ = ["main", "table"]

COLUMNS = (
    "substance", "prior_kind", "prior_d", "prior_p", "prior_h", "prior_sd_d", "prior_sd_p", "prior_sd_h",
    "delta_d", "delta_p", "delta_h", "sd_d", "sd_p", "sd_h", "corr_dp", "corr_dh", "corr_ph",
    "volume_cm3_mol", "sd_volume", "evidence", "n_evidence", "worst_residual", "flagged",
    "source",
)  # fmt: skip


def table() -> str:
    """Return the text of ``reconciled.csv``."""
    shipped, constants = liquids(), calibration()
    found, spread = fit_shipped(facts(), constants), prior_sd(shipped, constants)
    mine: list[list[int]] = [[] for _ in shipped.names]
    for place, fact in enumerate(found.facts):
        for who in {fact.a, fact.b}:
            mine[who].append(place)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for i in sorted(range(len(shipped.names)), key=lambda i: shipped.names[i].lower()):
        sd = np.sqrt(np.diag(found.covariance[i]))
        corr = found.covariance[i] / np.outer(sd, sd)
        counts = Counter(found.facts[place].kind for place in mine[i])
        listed = "; ".join(f"{counts[kind]} {kind}" for kind in KINDS if counts[kind])
        worst = max((abs(found.residuals[place]) for place in mine[i]), default=None)
        flagged = [place for place in mine[i] if _is_flagged(found.facts[place].kind, found.residuals[place])]
        writer.writerow(
            [
                shipped.names[i],
                "published" if shipped.published[i] else "estimated",
                *(f"{x:.3f}" for x in shipped.prior[i]),
                *(f"{x:.3f}" for x in spread[i]),
                *(f"{max(x, 0.0):.3f}" for x in found.hsp[i]),
                *(f"{x:.3f}" for x in sd),
                *(f"{x + 0.0:.3f}" for x in (corr[0, 1], corr[0, 2], corr[1, 2])),
                f"{shipped.volumes[i]:.2f}",
                f"{shipped.volume_sd[i]:.2f}" if np.isfinite(shipped.volume_sd[i]) else "0.00",
                listed,
                len(mine[i]),
                "" if worst is None else f"{worst:.2f}",
                "; ".join(_say(found, place, i) for place in flagged[:5])
                + ("; and others" if len(flagged) > 5 else ""),
                "reconciled-fit",
            ]
        )
    return out.getvalue()


def _is_flagged(kind: str, residual: float) -> bool:
    return bool(abs(residual) > (2.0 if kind == "mixing" else FLAG))


def _say(found: Fit, place: int, who: int) -> str:
    fact = found.facts[place]
    names = liquids().names
    other = fact.b if fact.a == who else fact.a
    partner = "" if other == who else f" with {names[other]}"
    if fact.kind == "mixing":
        return f"{'mixes' if fact.value > 0.5 else 'does not mix'}{partner}, probability {found.predicted[place]:.2f}"
    return f"{fact.kind}{partner}: {fact.value:.2f} measured, {found.predicted[place]:.2f} computed"


def main() -> None:
    """Write the table, or check that the shipped one is what the tables give."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--check", action="store_true", help="compare with the shipped file instead of writing it")
    place = Path(str(data.folder())) / "reconciled.csv"
    text = table()
    if parser.parse_args().check:
        same = place.read_text(encoding="utf-8") == text
        print("reconciled.csv is what the tables give" if same else "reconciled.csv differs; rebuild it")
        raise SystemExit(0 if same else 1)
    place.write_text(text, encoding="utf-8")
    print(f"{place}: {len(text.splitlines()) - 1} substances")


if __name__ == "__main__":
    main()
