"""``python -m hspkit.workshop`` makes again, in order, whatever is older than the tables it is made of."""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence

from hspkit import data
from hspkit.workshop.chain import STEPS, record, run, stale

__all__ = ["main"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the steps that are stale, or those that are named; return the code to end with."""
    names = [step.name for step in STEPS]
    parser = argparse.ArgumentParser(prog="python -m hspkit.workshop", description=__doc__)
    parser.add_argument("steps", nargs="*", help=f"only these: {', '.join(names)}")
    parser.add_argument("--all", action="store_true", help="every step, stale or not (after a change of the physics)")
    parser.add_argument("--status", action="store_true", help="only say what is stale; ends with 1 when anything is")
    parser.add_argument("--keep", action="append", default=[], choices=names, metavar="STEP",
                        help="take what this step wrote before as still right for the tables as they are")  # fmt: skip
    options = parser.parse_args(arguments)
    if unknown := [name for name in options.steps if name not in names]:
        parser.error(f"no step {unknown[0]!r}; steps: {', '.join(names)}")
    if options.keep:
        record(options.keep)
    if options.status:
        for name, files in stale().items():
            print(f"{name}: changed since it ran: {', '.join(files)}")
        return int(bool(stale()))
    for step in STEPS:  # a step may make the next one stale
        if step.name in options.steps if options.steps else options.all or step.name in stale():
            start = time.perf_counter()
            run(step)
            print(f"{step.name}: {time.perf_counter() - start:.0f} s", flush=True)
    data.refresh_inventory()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
