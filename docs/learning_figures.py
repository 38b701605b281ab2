"""Draw the figures of docs/learning.md; run ``python docs/learning_figures.py`` from the root of a checkout.

That of the simulation comes from ``python -m hspkit.workshop.planned_trials --figure docs/figures/next_trial.png``.
"""

from pathlib import Path

import matplotlib as mpl

mpl.use("Agg")

from hspkit import SphereFit, Trial, learn, oil, plotting, rank_carriers
from hspkit.workshop.spheres import make

FIGURES = Path(__file__).parent / "figures"
OIL = "sweet orange, cold-pressed"
CARRIERS = ("propylene glycol", "1,3-propanediol", "triacetin", "triethyl citrate", "MCT", "benzyl alcohol", "glycerol")
#: Outcomes made up to show what learning does; no bench stands behind them.
TRIALS = (Trial("triacetin", "clear"), Trial("triethyl citrate", "clear"))


def spheres() -> None:
    """Few trials and many: the region of centres that fit."""
    for n in (10, 60):
        made = make(n, 0.5, hazy=True, random_state=3)
        fit = SphereFit(0).fit(made.hsp, made.outcomes)
        axes = plotting.sphere_fit(fit)
        truth = made.truth
        told = f"(truth {truth[0]:.1f} / {truth[1]:.1f} / {truth[2]:.1f}, R0 {truth[3]:.1f})"
        axes.set_xlabel(f"{axes.get_xlabel()}\n{told}")
        plotting.save(axes, FIGURES / f"sphere_{n}_trials.png", dpi=100)


def before_and_after() -> None:
    """Probability of clear over the map, before and after trials."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(15.0, 6.0), layout="constrained")
    left, right = figure.subplots(1, 2)
    before, after = oil(OIL), learn(OIL, TRIALS)
    taught = [after.lesson.carrier(name) for name in CARRIERS]
    plotting.map(before, ax=left, ranking=rank_carriers(before, carriers=CARRIERS))
    plotting.map(after, ax=right, ranking=rank_carriers(after, carriers=taught))
    left.set_title(f"{OIL}, 1:2, before any trial", loc="left")
    told = ", ".join(f"{one.outcome} in {one.carrier}" for one in TRIALS)
    right.set_title(f"after {told}", loc="left")
    figure.savefig(FIGURES / "before_after.png", dpi=100)


if __name__ == "__main__":
    FIGURES.mkdir(exist_ok=True)
    spheres()
    before_and_after()
