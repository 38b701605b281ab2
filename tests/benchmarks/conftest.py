"""What the benchmarks share: a quick mode, and a record of every figure for the table in docs/performance.md."""

import os
import random
import time
import warnings
from pathlib import Path

import pytest

#: Set by ``python tests/benchmarks/run.py --quick``: small sizes, and no figure is judged.
QUICK = os.environ.get("HSPKIT_BENCHMARKS") == "quick"


@pytest.fixture
def size():
    """Return the first number, or the second one in the quick mode."""
    return lambda full, quick: quick if QUICK else full


@pytest.fixture
def figure(record_property):
    """Record a figure for the table, then judge it against its aim, if it has one, unless the mode is quick."""

    def record(what, against, value, unit, *, least=None, most=None):
        aim = f"at least {least:,g}" if least is not None else f"at most {most:,g}" if most is not None else ""
        met = (least is None or value >= least) and (most is None or value <= most)
        row = {"what": what, "against": against, "value": float(value), "unit": unit, "aim": aim, "met": met}
        record_property("figure", row)
        print(f"\n{what}, against {against}: {value:,.3g} {unit} {f'({aim})' if aim else ''}")
        assert met or QUICK, f"{what}: {value:,.3g} {unit}, asked {aim}"

    return record


@pytest.fixture(scope="session")
def structures():
    """Return a function that draws structures which no fit has seen, those of the package `chemicals`."""
    chemicals = pytest.importorskip("chemicals")
    path = Path(chemicals.__file__).parent / "Identifiers" / "chemical identifiers pubchem large.tsv"
    with path.open(encoding="utf-8") as lines:
        found = [line.split("\t", 5)[4] for line in lines]

    def draw(number, seed):
        rng = random.Random(seed)
        picked = []
        while len(picked) < number:  # more than there are: all of them again, in another order
            picked += rng.sample(found, min(len(found), number - len(picked)))
        return picked

    return draw


@pytest.fixture(scope="session")
def flash_seconds():
    """Processor time of one flash of limonene, ethanol and water by `thermo`, two liquids with UNIFAC [s]."""
    thermo = pytest.importorskip("thermo")
    import numpy as np

    compositions = np.random.default_rng(0).dirichlet(np.ones(3), 2 if QUICK else 20)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        constants, properties = thermo.ChemicalConstantsPackage.from_IDs(["limonene", "ethanol", "water"])
        excess = thermo.UNIFAC.from_subgroups(
            T=298.15, xs=[0.1, 0.4, 0.5], chemgroups=constants.UNIFAC_groups, version=0
        )
        state = {"T": 298.15, "P": 3e5, "zs": [0.1, 0.4, 0.5]}
        liquid = thermo.GibbsExcessLiquid(
            VaporPressures=properties.VaporPressures,
            VolumeLiquids=properties.VolumeLiquids,
            HeatCapacityGases=properties.HeatCapacityGases,
            GibbsExcessModel=excess,
            **state,
        )
        gas = thermo.CEOSGas(
            thermo.PRMIX,
            {"Tcs": constants.Tcs, "Pcs": constants.Pcs, "omegas": constants.omegas},
            HeatCapacityGases=properties.HeatCapacityGases,
            **state,
        )
        flasher = thermo.FlashVLN(constants, properties, liquids=[liquid, liquid], gas=gas)
        some = [list(z) for z in compositions]
        flasher.flash(T=298.15, P=3e5, zs=some[0])
        start = time.process_time()
        for z in some:
            flasher.flash(T=298.15, P=3e5, zs=z)
        return (time.process_time() - start) / len(some)
