"""``python -m hspkit.workshop.reconciled`` writes ``datasets/reconciled.csv`` from the tables, to the last digit."""

from __future__ import annotations

import argparse
import csv
import io
from collections import Counter
from pathlib import Path

import numpy as np

from hspkit import data, theory
from hspkit.evidence import joint
from hspkit.evidence.facts import KINDS, facts, liquids
from hspkit.evidence.reconcile import is_flagged

__all__ = ["main", "table"]

COLUMNS = (
    "substance", "prior_kind", "prior_d", "prior_p", "prior_h", "prior_sd_d", "prior_sd_p", "prior_sd_h",
    "delta_d", "delta_p", "delta_h", "sd_d", "sd_p", "sd_h", "corr_dp", "corr_dh", "corr_ph",
    "volume_cm3_mol", "sd_volume", "mixing_volume_cm3_mol", "evidence", "n_evidence", "worst_residual", "flagged",
    "source",
)  # fmt: skip


def table() -> str:
    """Return the text of ``reconciled.csv``."""
    shipped, constants = liquids(), theory.calibration()
    posterior = joint.fit(facts(), constants)
    prior_sd, mixing = joint.prior_sd(constants), joint.mixing_volumes(constants)
    places_of: list[list[int]] = [[] for _ in shipped.names]
    for place, fact in enumerate(posterior.facts):
        for row in {fact.a, fact.b}:
            places_of[row].append(place)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for i in sorted(range(len(shipped.names)), key=lambda i: shipped.names[i].lower()):
        sd = np.sqrt(np.diag(posterior.covariance[i]))
        corr = posterior.covariance[i] / np.outer(sd, sd)
        counts = Counter(posterior.facts[place].kind for place in places_of[i])
        listed = "; ".join(f"{counts[kind]} {kind}" for kind in KINDS if counts[kind])
        worst = max((abs(posterior.residuals[place]) for place in places_of[i]), default=None)
        flagged = [
            place for place in places_of[i] if is_flagged(posterior.facts[place].kind, posterior.residuals[place])
        ]
        writer.writerow(
            [
                shipped.names[i],
                "published" if shipped.published[i] else "estimated",
                *(f"{x:.3f}" for x in shipped.prior[i]),
                *(f"{x:.3f}" for x in prior_sd[i]),
                *(f"{max(x, 0.0):.3f}" for x in posterior.hsp[i]),
                *(f"{x:.3f}" for x in sd),
                *(f"{x + 0.0:.3f}" for x in (corr[0, 1], corr[0, 2], corr[1, 2])),
                f"{shipped.volumes[i]:.2f}",
                f"{shipped.volume_sd[i]:.2f}" if np.isfinite(shipped.volume_sd[i]) else "0.00",
                f"{mixing[i]:.2f}",
                listed,
                len(places_of[i]),
                "" if worst is None else f"{worst:.2f}",
                "; ".join(_conflict(posterior, place, i) for place in flagged[:5])
                + ("; and others" if len(flagged) > 5 else ""),
                "reconciled-fit",
            ]
        )
    return out.getvalue()


def _conflict(posterior: joint.Posterior, place: int, row: int) -> str:
    fact = posterior.facts[place]
    names = liquids().names
    other = fact.b if fact.a == row else fact.a
    partner = "" if other == row else f" with {names[other]}"
    if fact.kind == "mixing":
        return (
            f"{'mixes' if fact.value > 0.5 else 'does not mix'}{partner}, probability {posterior.predicted[place]:.2f}"
        )
    return f"{fact.kind}{partner}: {fact.value:.2f} measured, {posterior.predicted[place]:.2f} computed"


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
