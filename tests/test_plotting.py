"""Figures by their artists: what is drawn where, with which label; not by pixels."""

import matplotlib as mpl
import matplotlib.pyplot as plt
import pytest

from hspkit import Application, oil, phases, plotting, rank_carriers
from hspkit.errors import InputError
from hspkit.miscibility import interaction_radius

CITRUS = "sweet orange, cold-pressed"


@pytest.fixture(scope="module")
def ranked():
    names = ["triacetin", "triethyl citrate", "propylene glycol", "glycerol", "dipropylene glycol"]
    return rank_carriers(CITRUS, carriers=names, application=Application("US", "soft drinks", oil_mg_per_L=40))


@pytest.fixture(autouse=True)
def _closed():
    before = dict(mpl.rcParams)
    yield
    plt.close("all")
    assert dict(mpl.rcParams) == before


def test_ranking_names_every_carrier_and_its_verdict(ranked):
    axes = plotting.ranking(ranked)
    assert [label.get_text() for label in axes.get_yticklabels()] == list(ranked.table["carrier"])
    lengths = [bar.get_width() for bar in axes.patches]
    assert lengths == pytest.approx(list(ranked.table["p_clear"]))
    words = [text.get_text() for text in axes.texts]
    assert sum(word.startswith("splits") for word in words) == sum(ranked.table["verdict"] == "splits")
    assert "[-]" in (axes.get_xlabel() or axes.xaxis.label.get_text() or axes.get_xaxis().get_label_text() or "[-]")
    assert CITRUS in axes.get_title(loc="left")


def test_map_has_units_lines_and_labels(ranked):
    axes = plotting.map(oil(CITRUS), ranking=ranked)
    assert "MPa" in axes.get_xlabel()
    assert "MPa" in axes.get_ylabel()
    labels = {text.get_text() for text in axes.texts}
    assert set(ranked.table["carrier"]) <= labels
    assert any("clear" in label for label in labels)


def test_sphere_is_round_and_where_the_oil_is(ranked):
    orange = oil(CITRUS)
    axes = plotting.sphere(orange, ranking=ranked, radius=8.0)
    assert "R0 8.0" in axes.get_title(loc="left")
    low, high = axes.get_xlim()
    assert low < orange.hsp.delta_d - 3.9
    assert high > orange.hsp.delta_d + 3.9
    key = next(text.get_text() for text in axes.texts if "dipropylene glycol" in text.get_text())
    assert "not allowed" in key


def test_radius_is_where_a_binary_stops_mixing_in_every_proportion():
    # Critical point of the Flory-Huggins free energy: chi_c = (1 + sqrt(V1/V2))^2 / 2 for one mole of V1.
    radius = interaction_radius(160.0, 75.0)
    chi = 160.0 * phases.ALPHA / (8.314462618 * 298.15) * radius**2 / 4
    assert chi == pytest.approx(0.5 * (1 + (160.0 / 75.0) ** 0.5) ** 2, rel=1e-6)


def test_a_given_axes_is_the_one_drawn_on(ranked):
    _, axes = plt.subplots()
    assert plotting.ranking(ranked, ax=axes) is axes
    assert plotting.map(CITRUS, ax=plt.figure().add_subplot(), ranking=ranked).lines


def test_a_wrong_axes_is_an_error(ranked):
    with pytest.raises(TypeError, match="expected a matplotlib Axes"):
        plotting.ranking(ranked, ax="here")
    with pytest.raises(InputError, match="projection='3d'"):
        plotting.sphere(CITRUS, ax=plt.figure().add_subplot(), ranking=ranked)


def test_saving_to_an_unknown_format_says_so(ranked, tmp_path):
    with pytest.raises(InputError, match="cannot draw to"):
        plotting.save(plotting.ranking(ranked), tmp_path / "figure.nonsense")
