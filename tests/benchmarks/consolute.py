"""Print predicted against handbook upper consolute temperatures: python tests/benchmarks/consolute.py

The prediction takes table parameters as they stand: nothing is fitted to these temperatures.
"""

import csv
import warnings
from pathlib import Path

from hspkit import phases
from hspkit.errors import ExtrapolationWarning

TABLE = Path(__file__).parents[1] / "reference" / "consolute_temperatures.csv"


def main() -> None:
    print("pair                       handbook  predicted  error [degC]  chi/chi_c at 25 degC")
    with TABLE.open(encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            volumes = [float(row["volume_first"]), float(row["volume_second"])]
            hsp = [[float(row[f"{part}_{which}"]) for part in "dph"] for which in ("first", "second")]
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", ExtrapolationWarning)
                predicted = float(phases.upper_critical_celsius(volumes, hsp))
            known, index = float(row["celsius"]), float(phases.pair_index(volumes, hsp))
            name = f"{row['first']} + {row['second']}"
            print(f"{name:26s} {known:8.1f} {predicted:10.1f} {predicted - known:13.1f} {index:21.3f}")


if __name__ == "__main__":
    main()
