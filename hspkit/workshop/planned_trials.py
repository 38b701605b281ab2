"""Does a planned trial teach more than a random one? A simulation; run ``python -m hspkit.workshop.planned_trials``.

Truths are drawn from what is known before any trial: parameters, misfit of the theory, lapses of the bench. Each policy
runs its trials on the same truths and knows nothing of them; what it would answer after each trial is compared with
the truth. The bench obeys the model here, so this measures the choice of trials, not the model.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from hspkit.carriers import Carrier, carrier
from hspkit.carriers import carriers as listed
from hspkit.oils import oil
from hspkit.trials.bench import LAPSE
from hspkit.trials.planning import DECISIONS, RATIOS, WATER, Plan, mixes_of, plan

__all__ = ["OILS", "candidates", "follow", "policies"]

Array = NDArray[np.float64]
Policy = Callable[[Plan, str, Array, NDArray[np.bool_], np.random.Generator], int]

#: Oils of different kinds: phenolic, hydrocarbon, ketone and alcohol, ether, aldehyde.
OILS = (
    "clove, bud",
    "sweet orange, cold-pressed",
    "peppermint",
    "star anise",
    "cinnamon, bark",
    "rosemary, Spanish type",
)


def candidates() -> list[Carrier]:
    """Return the carriers that ship, can be computed with and may be eaten somewhere."""
    rows = listed()
    found = [carrier(name) for name, role in zip(rows["carrier"], rows["role"], strict=True) if role == "carrier"]
    return [one for one in found if isinstance(one, Carrier) and one.substance is not None]


def _planned(made: Plan, decision: str, weights: Array, free: NDArray[np.bool_], rng: np.random.Generator) -> int:
    bits, right = made.gains(decision, weights)
    return int(np.argmax(np.where(free, bits + 1e-6 * right, -1.0)))


def _undecided(made: Plan, decision: str, weights: Array, free: NDArray[np.bool_], rng: np.random.Generator) -> int:
    doubt = -np.abs(weights @ made.clear - 0.5)
    own = np.zeros(len(free), dtype=bool)
    own[made.decided] = True
    left = free & own if np.any(free & own) else free
    return int(np.argmax(np.where(left, doubt, -1.0)))


def _random(made: Plan, decision: str, weights: Array, free: NDArray[np.bool_], rng: np.random.Generator) -> int:
    left = np.intersect1d(np.flatnonzero(free), made.decided)
    return int(rng.choice(left if left.size else np.flatnonzero(free)))


def policies() -> dict[str, Policy]:
    """Return the policies by name.

    "planned": most expected bits among all mixtures. "least certain": the candidate, at the ratio of the decision,
    whose probability of clear is nearest to a half. "random": any candidate at the ratio of the decision, none twice.
    """
    return {"planned": _planned, "least certain": _undecided, "random": _random}


def follow(
    oil_name: str,
    *,
    decision: str,
    trials: int = 6,
    truths: int = 100,
    draws: int = 4000,
    random_state: int | np.random.Generator | None = 0,
) -> dict[str, Array]:
    """Return, for each policy, how often its answer is right after 0, 1, 2 ... trials.

    Parameters
    ----------
    oil_name : str
        The oil. [-]
    decision : {"clear", "first", "most"}
        As in `next_trial`. For "clear" it is the share of carriers that are judged rightly. [-]
    trials : int
        Trials to run. [-]
    truths : int
        Truths to run them on. [-]
    draws : int
        States that stand for what is not known. [-]
    random_state : int, Generator or None
        Seed. [-]

    Returns
    -------
    dict of str to ndarray of shape (trials + 1,)
        Share of right answers. [-]
    """
    rng = np.random.default_rng(random_state)
    mixes, decided = mixes_of(candidates(), (1.0, 2.0), RATIOS, WATER, 25.0)
    drawn = plan(oil(oil_name), mixes, decided, draws=draws + truths, random_state=rng)
    truth = replace(drawn, margins=drawn.margins[:truths])
    made = replace(drawn, margins=drawn.margins[truths:])
    right_answers, known = truth.answers(decision), made.answers(decision)
    lapses = rng.random((truths, trials)) < LAPSE
    found = {name: np.zeros(trials + 1) for name in policies()}
    clear = made.clear
    for name, choose in policies().items():
        opening = choose(made, decision, np.full(draws, 1.0 / draws), np.ones(len(mixes), dtype=bool), rng)
        for case in range(truths):
            weights, free = np.full(draws, 1.0 / draws), np.ones(len(mixes), dtype=bool)
            for step in range(trials + 1):
                right = [
                    np.argmax(np.bincount(answer, weights)) == own[case]
                    for answer, own in zip(known, right_answers, strict=True)
                ]
                found[name][step] += np.mean(right) / truths
                if step == trials:
                    break
                at_once = step == 0 and name != "random"  # before any trial all cases look the same
                row = opening if at_once else choose(made, decision, weights, free, rng)
                seen = bool(truth.clear[case, row]) != bool(lapses[case, step])
                weights = weights * np.where(clear[:, row] == seen, 1.0 - 2.0 * LAPSE, LAPSE)
                weights /= weights.sum()
                free[row] = False
    return found


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables and, when asked, draw them."""
    parser = argparse.ArgumentParser(prog="python -m hspkit.workshop.planned_trials", description=__doc__)
    parser.add_argument("--figure", help="file to draw to (png, svg, pdf)")
    parser.add_argument("--truths", type=int, default=60, help="truths per oil (default %(default)s)")
    parser.add_argument("--trials", type=int, default=6, help="trials per truth (default %(default)s)")
    options = parser.parse_args(arguments)
    results = {}
    for decision in DECISIONS:
        runs = [
            follow(name, decision=decision, trials=options.trials, truths=options.truths, random_state=seed)
            for seed, name in enumerate(OILS)
        ]
        results[decision] = {name: np.mean([run[name] for run in runs], axis=0) for name in policies()}
        print(f"\ndecision {decision!r}: share of right answers after 0, 1, ... trials, {len(OILS)} oils")
        for name, shares in results[decision].items():
            print(f"  {name:14s}", "  ".join(f"{share:.3f}" for share in shares))
    if options.figure:
        draw(results, options.figure)


def draw(results: dict[str, dict[str, Array]], path: str) -> None:
    """Draw the shares of right answers against the number of trials, one panel a decision."""
    from matplotlib.figure import Figure

    titles = {"clear": "which carriers are clear", "first": "the first that is clear", "most": "which has most in hand"}
    looks = {
        "planned": {"color": "#009E73", "linestyle": "-", "marker": "o"},
        "least certain": {"color": "#E69F00", "linestyle": "--", "marker": "D"},
        "random": {"color": "#3A3A3A", "linestyle": ":", "marker": "v"},
    }
    figure = Figure(figsize=(10.5, 3.6), layout="constrained")
    for axes, (decision, shares) in zip(figure.subplots(1, len(results)), results.items(), strict=True):
        for name, values in shares.items():
            axes.plot(np.arange(len(values)), values, label=name, markersize=5, linewidth=1.3, **looks[name])
        axes.set_title(titles[decision], loc="left", fontsize="medium")
        axes.set_ylim(min(values.min() for values in shares.values()) - 0.02, 1.005)
        axes.set_xlabel("trials run [-]")
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
    figure.axes[0].set_ylabel("share of answers that are right [-]")
    figure.axes[0].legend(frameon=False, fontsize="small")
    figure.savefig(path, dpi=120)


if __name__ == "__main__":
    main()
