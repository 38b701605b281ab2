"""What is read once and serves everybody cannot be changed by one who asks: the next answer is the same."""

import contextlib
import copy
import dataclasses
import importlib
import json
import pickle
import pkgutil

import numpy as np
import pandas as pd
import pytest

import hspkit
from hspkit import Blend, Oil, Substance, carrier, data, law, oil, substance
from hspkit.carriers import Carrier
from hspkit.estimation import GroupModel
from hspkit.frozen import Frozen, freeze
from hspkit.substances.shipped import reconciled

#: Arguments of the cached functions that need some.
ARGUMENTS = {
    "bonds_inside": ("CCO",),
    "compile_pattern": ("[OX2H]",),
    "compositions": (4, 2),
    "donates": ("CCO",),
    "fusion_entropy": ("CCO",),
    "fusion_features": ("CCO",),
    "hydroxyls": ("CCO",),
    "read_table": ("carriers.csv",),
    "shipped_oil": ("bergamot, cold-pressed",),
    "shipped_name": ("bergamot",),
    "site_counts": ("CCO",),
    "sites_known": ("CCO",),
    "surroundings": ("CCO",),
}


def cached():
    """Every public function of the library that remembers what it returned."""
    for found in pkgutil.walk_packages(hspkit.__path__, "hspkit."):
        if found.name != "hspkit.__main__":
            for name, function in vars(importlib.import_module(found.name)).items():
                if hasattr(function, "cache_info") and function.__module__ == found.name and name[0] != "_":
                    yield f"{found.name}.{name}", function, ARGUMENTS.get(name, ())


def changeable(value, path="it"):
    """Where in a value something can be changed: mappings, lists, sets and arrays, in all that can be reached."""
    if isinstance(value, np.ndarray):
        return [path] if value.flags.writeable else []
    if isinstance(value, dict | list | set):
        found = [] if isinstance(value, Frozen) else [path]
        inside = value.items() if isinstance(value, dict) else enumerate(value)
        return found + [one for key, item in inside for one in changeable(item, f"{path}[{key!r}]")]
    if isinstance(value, tuple):
        names = getattr(value, "_fields", range(len(value)))
        return [one for key, item in zip(names, value, strict=True) for one in changeable(item, f"{path}.{key}")]
    if dataclasses.is_dataclass(value):
        found = [] if type(value).__dataclass_params__.frozen else [path]
        names = [*getattr(type(value), "__slots__", ()), *getattr(value, "__dict__", ())]
        return found + [one for name in names for one in changeable(getattr(value, name), f"{path}.{name}")]
    return []


def test_nothing_that_is_remembered_can_be_changed():
    pytest.importorskip("chemicals")  # whose tables one of the functions reads
    seen = []
    for name, function, arguments in cached():
        seen.append(name)
        assert changeable(function(*arguments), name) == []
    assert {"hspkit.data.sources", "hspkit.evidence.facts.liquids", "hspkit.viscosity.pair_coefficients"} <= set(seen)


def test_no_row_of_a_table_can_be_changed():
    for name in data.tables():
        assert changeable(data.read_table(name), name) == []


def used(thing):
    """A thing after everything in it that is worked out when first asked for."""
    for name in dir(type(thing)):
        if name[0] != "_" and not callable(getattr(type(thing), name)):
            getattr(thing, name)
    return thing


def test_no_carrier_oil_or_substance_can_be_changed():
    for name in hspkit.carriers()["carrier"]:
        assert changeable(used(carrier(name)), name) == []
    assert changeable(carrier("invert syrup")) == []  # it has no molecule to work anything out of
    assert changeable(used(carrier("ethanol 70 % vol"))) == []
    for name in hspkit.oils()["oil"]:
        assert changeable(used(oil(name)), name) == []
    for name in (*hspkit.substances.substances(), "CCCCCCCCCCO", "C(O)C(C)O"):
        assert changeable(used(substance(name)), name) == []


@pytest.mark.parametrize(
    ("ask", "change"),
    [
        (lambda: carrier("triacetin").densities, lambda it: it.__setitem__(25.0, 1.0)),
        (lambda: carrier("triacetin").viscosities, lambda it: it.clear()),
        (lambda: carrier("triacetin").sources, lambda it: it.update(identity="me")),
        (lambda: carrier("ethanol 70 % vol").shares, lambda it: it.pop("water")),
        (lambda: carrier("ethanol 70 % vol").component_hsp, lambda it: it.fill(0.0)),
        (lambda: carrier("ethanol 70 % vol").fractions, lambda it: it.fill(0.0)),
        (lambda: carrier("triacetin").doses(100.0), lambda it: it.clear()),
        (lambda: oil("bergamot").fractions, lambda it: it.fill(0.0)),
        (lambda: oil("bergamot").components, lambda it: it.pop("component")),
        (lambda: substance("limonene").covariance, lambda it: it.fill(0.0)),
        (lambda: substance("CCCCCCCCCCO").prior_covariance, lambda it: it.fill(0.0)),
        (lambda: substance("limonene").hsp.array, lambda it: it.fill(0.0)),
        (lambda: substance("limonene").evidence[0], lambda it: it.setdefault("mine", 1)),
        (lambda: substance("limonene").sources, lambda it: it.pop("value")),
        (lambda: data.read_table("carriers.csv").rows[0], lambda it: it.__delitem__("name")),
        (lambda: data.sources()["hvk_checked"], lambda it: it.__ior__({"kind": "read"})),
        (lambda: data.inventory(), lambda it: it.clear()),
        (lambda: law.limits("triacetin", "EU")[0], lambda it: setattr(it, "limit", 1.0)),
        (lambda: hspkit.carriers(), lambda it: it.pop("carrier")),
        (lambda: hspkit.oils(), lambda it: it.pop("oil")),
        (lambda: hspkit.viscosity.pair_coefficients(), lambda it: it.popitem()),
        (lambda: reconciled("limonene").covariance, lambda it: it.fill(0.0)),
        (lambda: GroupModel.shipped().design_.likeness, lambda it: it.fill(0.0)),
        (lambda: GroupModel.shipped().weights_, lambda it: it.fill(0.0)),
        (lambda: hspkit.estimate("CCO").sd, lambda it: it.fill(0.0)),
        (lambda: hspkit.estimate("CCO", method="van-krevelen").sd, lambda it: it.fill(0.0)),
    ],
)
def test_who_changes_an_answer_changes_none_that_follows(ask, change):
    expected = pickle.loads(pickle.dumps(ask()))
    with contextlib.suppress(TypeError, ValueError, AttributeError):  # refused is as good as done to a copy
        change(ask())
    if isinstance(expected, pd.DataFrame):
        pd.testing.assert_frame_equal(ask(), expected)
    else:
        np.testing.assert_equal(ask(), expected)


def test_frozen_mappings_refuse_every_change_and_are_dictionaries_otherwise():
    row = Frozen({"name": "triacetin", "density": None})
    for change in (
        lambda: row.__setitem__("name", "x"), lambda: row.__delitem__("name"), lambda: row.__ior__({"name": "x"}),
        lambda: row.update(name="x"), lambda: row.pop("name"), row.popitem, row.clear,
        lambda: row.setdefault("mine", 1),
    ):  # fmt: skip
        with pytest.raises(TypeError, match=r"cannot be changed; change a copy, dict\(\.\.\.\)"):
            change()
    assert row == {"name": "triacetin", "density": None}
    assert json.loads(json.dumps(row)) == row
    mine = dict(row)
    mine["name"] = "x"
    assert (row | {"name": "x"}) == mine == {**row, "name": "x"}
    for again in (copy.copy(row), copy.deepcopy(row), pickle.loads(pickle.dumps(row))):
        assert again == row
        assert type(again) is Frozen


def test_what_is_given_is_copied_and_what_is_frozen_goes_elsewhere():
    densities, shares = {25.0: 1.16}, {"triacetin": 0.5, "MCT": 0.5}
    mine = Carrier("mine", "", None, densities=densities)
    half = Blend(shares, basis="volume")
    densities[25.0] = shares["MCT"] = 9.0
    assert mine.densities == {25.0: 1.16}
    assert half.shares == {"triacetin": 0.5, "MCT": 0.5}
    assert dataclasses.replace(mine, densities={20.0: 1.0}).density == 1.0
    for thing in (carrier("triacetin"), half, oil("bergamot"), substance("limonene")):
        for again in (copy.deepcopy(thing), pickle.loads(pickle.dumps(thing))):
            assert type(again) is type(thing)
            assert again.name == thing.name
            np.testing.assert_array_equal(again.covariance, thing.covariance)
    one = Oil("mine", ("a",), (Substance("a", "CCO"),), (100.0,))
    assert pickle.loads(pickle.dumps(one)).fractions.tolist() == [1.0]


def test_freezing_reaches_into_tuples_and_mappings():
    found = freeze({"a": (np.ones(2), [1, 2]), "b": {"c": 1}})
    assert changeable(found) == []
    assert found["a"][1] == (1, 2)
