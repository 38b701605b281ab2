"""Figures of blends by their artists, and the blend verb of the command line."""

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest

from hspkit import Application, best_blend, carrier, plotting
from hspkit.__main__ import main
from hspkit.blending.survey import survey
from hspkit.errors import InputError
from hspkit.plotting import blends

CLOVE = "clove, bud"
THREE = ["propylene glycol", "triacetin", "triethyl citrate"]
#: Invented prices per L, for these tests only.
PRICES = {"propylene glycol": 3.0, "triacetin": 7.0, "triethyl citrate": 8.0, "glycerol": 2.0}


@pytest.fixture(scope="module")
def search():
    asked = Application("EU", "soft drinks", oil_mg_per_L=200)
    return best_blend(
        CLOVE, [*THREE, "glycerol", "dipropylene glycol"], objective="clear", application=asked, max_viscosity=40,
        price_per_L=PRICES, increments_percent=10, keep=2,
    )  # fmt: skip


@pytest.fixture(autouse=True)
def _closed():
    before = dict(mpl.rcParams)
    yield
    plt.close("all")
    assert dict(mpl.rcParams) == before


@pytest.fixture
def _coarse(monkeypatch):
    """Triangles of 36 blends in place of 231: what is looked at is on and around them."""
    monkeypatch.setattr(blends, "survey", lambda *asked, steps, **given: survey(*asked, steps=7, **given))


def test_path_has_probability_viscosity_cost_and_the_broken_limit(search):
    axes = plotting.blend_path(search, "propylene glycol", "triacetin")
    (line,) = [one for one in axes.lines if one.get_label() == "probability of clear"]
    share, clear = line.get_data()
    assert share[0] == 0
    assert share[-1] == 100
    seen = survey(search, ["propylene glycol", "triacetin"], steps=50)
    assert clear == pytest.approx(seen.p_clear[np.argsort(seen.shares[:, 1])])
    right = next(one for one in axes.figure.axes if one is not axes and one.get_ylabel())
    assert "mPa s" in right.get_ylabel()
    viscosity = right.lines[0].get_ydata()
    assert viscosity[[0, -1]] == pytest.approx([carrier(n).viscosity(20.0) for n in THREE[:2]])
    words = [text.get_text() for text in axes.get_legend().get_texts()]
    assert "a limit is broken" in words, "propylene glycol alone is thicker than 40 mPa s"
    labels = [text.get_text() for text in axes.get_xticklabels()]
    assert "100 % propylene glycol" in labels[0]
    assert "100 % triacetin" in labels[-1]
    top = next(child for child in axes.child_axes if "cost" in child.get_xlabel())
    assert next(text.get_text() for text in top.get_xticklabels()) == "3"
    assert CLOVE in axes.get_title(loc="left")


def test_path_marks_carriers_that_part_and_a_viscosity_that_is_not_known():
    axes = plotting.blend_path(CLOVE, "glycerol", "vegetable oil")
    assert "the carriers may not mix" in [text.get_text() for text in axes.get_legend().get_texts()]
    axes = plotting.blend_path(CLOVE, "diacetin", "lactic acid", ax=plt.figure().add_subplot())
    assert any("not on record" in one.get_ylabel() for one in axes.figure.axes)


@pytest.mark.usefixtures("_coarse")
def test_triangle_labels_its_corners_and_stars_the_best(search):
    names = [part.name for part in search.best.parts]
    names += [name for name in [*THREE, "glycerol"] if name not in names]
    axes = plotting.blend_triangle(search, *names[:3])
    words = [text.get_text() for text in axes.texts]
    for name in names[:3]:
        assert f"100 % {name}" in words
        assert any(name in word and ("→" in word or "←" in word) for word in words)
    (star,) = [line for line in axes.lines if line.get_marker() == "*"]
    shares = {part.name: share for part, share in zip(search.best.parts, search.best.fractions, strict=True)}
    corners = np.array([[0, 0], [1, 0], [0.5, np.sqrt(0.75)]])
    place = sum(shares.get(name, 0.0) * corner for name, corner in zip(names[:3], corners, strict=True))
    assert np.ravel(star.get_data()) == pytest.approx(place)
    assert "a limit is broken" in [text.get_text() for text in axes.get_legend().get_texts()]


@pytest.mark.usefixtures("_coarse")
def test_triangle_of_an_oil_without_a_search():
    _, axes = plt.subplots()
    assert plotting.blend_triangle(CLOVE, *THREE, ax=axes) is axes
    assert not [line for line in axes.lines if line.get_marker() == "*"]


def test_a_carrier_outside_the_search_is_an_error_with_its_reason(search):
    with pytest.raises(InputError, match="not for ingestion"):
        plotting.blend_path(search, "dipropylene glycol", "triacetin")
    with pytest.raises(InputError, match="not among its carriers"):
        plotting.blend_triangle(search, "MCT", "triacetin", "glycerol")
    with pytest.raises(TypeError, match="expected a matplotlib Axes"):
        plotting.blend_path(search, *THREE[:2], ax="here")


def test_blend_on_the_command_line(capsys, tmp_path):
    figure = tmp_path / "blend.png"
    line = ["blend", CLOVE, "--keep", "2", "--increments", "10", "--figure", str(figure)]
    for name in THREE:
        line += ["--carrier", name]
    level = ["--market", "EU", "--category", "soft drinks", "--oil-mg-per-l", "200", "--max-viscosity", "45"]
    shares = ["--min-share", "triacetin=20", "--max-share", "triethyl citrate=50"]
    assert main([*line, *level, *shares, "--carrier", "dipropylene glycol"]) == 0
    said = capsys.readouterr().out
    assert "best: " in said
    assert "dipropylene glycol is not for ingestion" in said.replace("\n  ", " ")
    assert "bench trial" in said
    assert figure.stat().st_size > 5000


def test_blend_as_csv_with_prices_and_errors(capsys):
    line = ["blend", CLOVE, "--keep", "1", "--increments", "20", "--csv", "--max-carriers", "2"]
    for name in THREE[:2]:
        line += ["--carrier", name]
    assert main([*line, "--price", "propylene glycol=3", "--price", "triacetin=6", "--price-per", "L"]) == 0
    assert capsys.readouterr().out.startswith("blend,carriers,distance")
    assert main([*line, "--price", "triacetin"]) == 2
    assert "NAME=NUMBER" in capsys.readouterr().err
    assert main([*line, "--max-viscosity", "1"]) == 2
    assert "no blend can keep to this limit: viscosity at most 1 mPa s" in capsys.readouterr().err


def test_what_is_not_for_ingestion_is_in_no_figure_of_blends():
    with pytest.raises(InputError, match="diethylene glycol is not for ingestion"):
        plotting.blend_path(CLOVE, "triacetin", "diethylene glycol")
