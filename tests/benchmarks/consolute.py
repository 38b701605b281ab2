"""Print predicted against handbook upper consolute temperatures: python tests/benchmarks/consolute.py

The prediction is that of the shipped substances; the column "tables" is that of the published parameters and the plain
Hansen distance. Nothing is fitted to these temperatures; that the pairs do not mix at 25 C is evidence.
"""

import csv
import warnings
from pathlib import Path

from hspkit import phases, substance
from hspkit.errors import ExtrapolationWarning

TABLE = Path(__file__).parents[1] / "reference" / "consolute_temperatures.csv"


def main() -> None:
    print("pair                       handbook  predicted  error [degC]  chi/chi_c at 25 degC    tables")
    with TABLE.open(encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            volumes = [float(row["volume_first"]), float(row["volume_second"])]
            hsp = [[float(row[f"{part}_{which}"]) for part in "dph"] for which in ("first", "second")]
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", ExtrapolationWarning)
                tables = float(phases.upper_critical_celsius(volumes, hsp))
                pair = [substance(row["first"]), substance(row["second"])]
                sizes, points = [one.volume for one in pair], [one.hsp.array for one in pair]
                sites = phases.Sites.joined([one.sites for one in pair])
                predicted = float(phases.upper_critical_celsius(sizes, points, sites=sites))
            known, index = float(row["celsius"]), float(phases.pair_index(sizes, points, sites=sites))
            name = f"{row['first']} + {row['second']}"
            print(f"{name:26s} {known:8.1f} {predicted:10.1f} {predicted - known:13.1f} {index:21.3f} {tables:9.1f}")


if __name__ == "__main__":
    main()
