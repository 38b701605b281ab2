"""Run a gallery script and save the figures it leaves open: run_figure.py SCRIPT FOLDER."""

from __future__ import annotations

import runpy
import sys
from pathlib import Path


def main(script: str, folder: str) -> None:
    """Save each open figure as FOLDER/<script>-<number>.png."""
    import matplotlib.pyplot as plt

    sys.argv = [script]
    runpy.run_path(script, run_name="__main__")
    numbers = plt.get_fignums()
    if not numbers:
        message = f"{script} leaves no figure open; draw one and do not close it"
        raise SystemExit(message)
    for number in numbers:
        plt.figure(number).savefig(Path(folder) / f"{Path(script).stem}-{number}.png", dpi=120, bbox_inches="tight")


if __name__ == "__main__":
    main(*sys.argv[1:])
