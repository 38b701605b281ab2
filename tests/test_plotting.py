"""Figures by their artists: what is drawn where, with which label; not by pixels.

Colours are judged as a reader with deuteranopia would see them: the matrix is that of Machado, Oliveira and Fernandes
(IEEE Trans. Vis. Comput. Graph. 15 (2009) 1291-1298) for full severity, quoted from memory; lightness and distance are
those of CIE 1976 L*a*b*. The least differences asked for are our own choice.
"""

import itertools
import time

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from hspkit import Application, Blend, carrier, estimate, oil, phases, plotting, rank_carriers, substance
from hspkit.errors import InputError
from hspkit.hansen import distance
from hspkit.miscibility import dissolve, interaction_radius
from hspkit.plotting.labels import Labels, place
from hspkit.plotting.molecule import atoms_of_groups
from hspkit.plotting.outcomes import INK, OUTCOMES, PALE, QUIET, SHADES, WARNING, marker_size

CITRUS, CLOVE = "sweet orange, cold-pressed", "clove, bud"
NAMES = ["triacetin", "triethyl citrate", "propylene glycol", "glycerol", "dipropylene glycol", "water"]
TRIETHYL_CITRATE = "CCOC(=O)CC(O)(CC(=O)OCC)C(=O)OCC"


@pytest.fixture(scope="module")
def ranked():
    return rank_carriers(CITRUS, carriers=NAMES, application=Application("US", "soft drinks", oil_mg_per_L=40))


@pytest.fixture(autouse=True)
def _closed():
    before = dict(mpl.rcParams)
    yield
    plt.close("all")
    assert dict(mpl.rcParams) == before


def boxes_of(texts, figure):
    return [text.get_window_extent(figure.canvas.get_renderer()) for text in texts]


def assert_apart(texts, figure):
    shown = [text for text in texts if text.get_visible() and text.get_text().strip()]
    for (a, one), (b, other) in itertools.combinations(zip(shown, boxes_of(shown, figure), strict=True), 2):
        wide = min(one.x1, other.x1) - max(one.x0, other.x0)
        high = min(one.y1, other.y1) - max(one.y0, other.y0)
        assert wide <= 0.5 or high <= 0.5, f"{a.get_text()!r} lies on {b.get_text()!r}"


def labels_of(axes):
    (found,) = [child for child in axes.get_children() if isinstance(child, Labels)]
    return found


# --- ranking --------------------------------------------------------------------------------------------------


def test_ranking_bars_are_the_probabilities(ranked):
    axes = plotting.ranking(ranked)
    assert [label.get_text() for label in axes.get_yticklabels()] == list(ranked.table["carrier"])
    for place_, outcome in enumerate(ranked.outcomes):
        bars = [bar for bar in axes.patches if abs(bar.get_y() + bar.get_height() / 2 - place_) < 1e-6]
        assert sum(bar.get_width() for bar in bars) == pytest.approx(1.0, abs=0.01)
        clear = [bar.get_width() for bar in bars if bar.get_x() == 0.0]
        if outcome.p_clear > 0.01:
            assert clear[0] == pytest.approx(outcome.p_clear)
    words = [text.get_text() for text in axes.texts]
    assert sum(word.startswith("splits") for word in words) == sum(ranked.table["verdict"] == "splits")
    assert CITRUS in axes.get_title(loc="left")
    assert "[-]" in axes.xaxis.label.get_text()


def test_ranking_tells_no_from_not_on_record(ranked):
    words = [text.get_text() for text in plotting.ranking(ranked).texts]
    assert "✗" in words
    assert "?" in words
    refused = sum(value is False for value in ranked.table["allowed"])
    assert refused == 1
    assert words.count("–") == refused


@pytest.mark.parametrize("font", [8, 10, 16])
def test_texts_of_the_ranking_do_not_collide(ranked, font):
    with mpl.rc_context({"font.size": font}):
        axes = plotting.ranking(ranked)
        axes.figure.canvas.draw()
        titles = [axes._left_title, axes.xaxis.label]
        assert_apart([*axes.texts, *axes.get_yticklabels(), *axes.get_legend().get_texts(), *titles], axes.figure)


# --- map ------------------------------------------------------------------------------------------------------


def test_map_has_units_lines_marks_and_key(ranked):
    subject = oil(CITRUS)
    axes = plotting.map(subject, ranking=ranked)
    assert "MPa" in axes.get_xlabel()
    assert "MPa" in axes.get_ylabel()
    labels = {text.get_text() for text in axes.texts}
    assert set(NAMES) - {"water"} <= labels
    assert any(text.startswith(("water: δh", "water: δp")) for text in labels), "far beyond the frame, at its edge"
    assert any(text.startswith("limonene 9") for text in labels), "share of the largest component"
    key = [text.get_text() for text in axes.get_legend().get_texts()]
    assert {"clear", "splits", "hollow, struck: not allowed", "95 % of its uncertainty"} <= set(key)
    assert "hazy" not in key, "nothing hazy is drawn"
    (ellipse,) = axes.patches
    half = np.sqrt(np.linalg.eigvalsh(subject.covariance[np.ix_([2, 1], [2, 1])]) * -2 * np.log(0.05))
    assert sorted([ellipse.width / 2, ellipse.height / 2]) == pytest.approx(half)
    spot = carrier("triacetin").hsp.array[[2, 1]]
    found = [
        line for line in axes.lines if line.get_marker() in ("o", "D", "v") and np.allclose(line.get_xydata(), spot)
    ]
    assert found[0].get_markersize() == pytest.approx(marker_size(carrier("triacetin").volume))
    struck = [line for line in axes.lines if line.get_marker() == (2, 0, 45)]
    assert np.allclose(struck[0].get_xydata(), carrier("dipropylene glycol").hsp.array[[2, 1]])


@pytest.mark.parametrize(("name", "font", "dpi"), [(CITRUS, 10, 100), (CLOVE, 10, 200), (CLOVE, 15, 100)])
def test_labels_of_the_full_map_keep_apart_and_within(name, font, dpi):
    with mpl.rc_context({"font.size": font}):
        start = time.perf_counter()
        axes = plotting.map(name)
        axes.figure.set_dpi(dpi)
        axes.figure.canvas.draw()
        took = time.perf_counter() - start
        found = labels_of(axes)
        texts = [*found.texts, *(text for text in axes.texts if text not in found.texts)]
        assert_apart(texts, axes.figure)
        frame = axes.get_window_extent()
        for text, box in zip(texts, boxes_of(texts, axes.figure), strict=True):
            if text.get_visible():
                assert frame.x0 <= box.x0, text.get_text()
                assert box.x1 <= frame.x1, text.get_text()
                assert frame.y0 <= box.y0, text.get_text()
                assert box.y1 <= frame.y1, text.get_text()
        key = axes.get_legend().get_window_extent()
        assert key.x1 <= axes.figure.bbox.x1
        assert key.x0 >= frame.x1
    assert took < 15, "guards against hanging; the speed is measured alone on the machine"


def test_labels_move_with_the_figure():
    axes = plotting.map(CITRUS, NAMES)
    axes.figure.set_layout_engine("none")
    for size in ((9, 6), (5, 4)):
        axes.figure.set_size_inches(*size)
        axes.figure.canvas.draw()
        assert_apart(labels_of(axes).texts, axes.figure)


def test_map_without_a_ranking_says_that_no_outcome_was_asked():
    axes = plotting.map("limonene", ["triacetin", "glycerol"])
    assert "carrier, outcome not asked" in [text.get_text() for text in axes.get_legend().get_texts()]


# --- placement ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_placed_labels_never_overlap_where_there_is_room(seed):
    rng = np.random.default_rng(seed)
    anchors = rng.uniform(150, 450, (20, 2))
    sizes = np.column_stack([rng.uniform(30, 90, 20), np.full(20, 11.0)])
    frame, taken = np.array([0.0, 0, 600, 600]), np.array([[250.0, 250, 330, 280]])
    found = place(anchors, np.full(20, 4.0), sizes, taken=taken, soft=np.empty((0, 4)), frame=frame)
    low, high = found - sizes / 2, found + sizes / 2
    for i, j in itertools.combinations(range(20), 2):
        assert np.any((low[i] >= high[j]) | (low[j] >= high[i])), (i, j)
    assert np.all(np.any((low >= taken[0, 2:]) | (taken[0, :2] >= high), axis=1))
    assert np.all(low >= 0)
    assert np.all(high <= 600)


def test_a_lone_label_stands_right_of_its_mark():
    nothing, frame = np.empty((0, 4)), np.array([0.0, 0, 200, 200])
    size = np.array([[40.0, 10.0]])
    spot = np.array([[100.0, 100.0]])
    (found,) = place(spot, np.array([4.0]), size, taken=nothing, soft=nothing, frame=frame)
    assert found[0] > 120
    assert found[1] == pytest.approx(100)
    edge = np.array([[190.0, 100.0]])
    (found,) = place(edge, np.array([4.0]), size, taken=nothing, soft=nothing, frame=frame)
    assert found[0] < 170, "at the right frame it goes left"


# --- sphere and fan -------------------------------------------------------------------------------------------


def test_sphere_is_where_the_oil_is_and_its_key_stays_in_the_figure(ranked):
    orange = oil(CITRUS)
    axes = plotting.sphere(orange, ranking=ranked, radius=8.0)
    assert "R0 8.0" in axes.get_title(loc="left")
    low, high = axes.get_xlim()
    assert low < orange.hsp.delta_d - 3.9
    assert high > orange.hsp.delta_d + 3.9
    axes.figure.canvas.draw()
    legend = axes.get_legend()
    key = [text.get_text() for text in legend.get_texts()]
    assert "splits, not allowed" in key or "clear, not allowed" in key
    assert sum("dipropylene glycol" in line for line in key) == 1
    assert any("water (beyond the picture)" in line for line in key)
    box, page = legend.get_window_extent(), axes.figure.bbox
    assert page.x0 <= box.x0
    assert box.x1 <= 1.01 * page.x1  # matplotlib 3.8 sets text a little wider
    assert page.y0 <= box.y0
    assert box.y1 <= page.y1
    assert_apart([*labels_of(axes).texts, *legend.get_texts()], axes.figure)
    assert box.x0 > axes.zaxis.label.get_window_extent().x1, "the key keeps off the label of the axis"


def test_sphere_numbers_are_those_of_the_key(ranked):
    axes = plotting.sphere(CITRUS, ranking=ranked)
    numbers = {text.get_text() for text in labels_of(axes).texts}
    key = [text.get_text().split() for text in axes.get_legend().get_texts()]
    assert numbers <= {words[0] for words in key}


def test_fan_lengths_are_red_and_names_do_not_collide(ranked):
    axes = plotting.distance_fan(CITRUS, ranking=ranked)
    axes.figure.canvas.draw()
    orange = oil(CITRUS)
    marks = [line for line in axes.lines if line.get_marker() in ("o", "v", "D") and len(line.get_xdata()) == 1]
    lengths = sorted(float(np.hypot(*line.get_xydata()[0])) for line in marks)
    red = np.sort(
        [
            float(distance(orange.hsp, one.hsp)) / interaction_radius(orange.volume, one.substance.volume)
            for one in (carrier(name) for name in NAMES)
        ]
    )
    slope = np.diff(lengths) / np.diff(red)
    assert slope == pytest.approx(slope[0]), "length is linear in RED"
    names = [text for text in axes.texts if any(text.get_text().startswith(name) for name in NAMES)]
    assert len(names) == len(NAMES)
    title = axes._left_title
    low = title.get_window_extent().y0
    assert all(text.get_window_extent().y1 < low for text in names), "the title is above the names"
    assert any(text.get_text().startswith("glycerol  +") for text in names)


# --- phase triangle -------------------------------------------------------------------------------------------


def test_triangle_of_pure_liquids_is_the_ternary_diagram():
    axes = plotting.phase_triangle("limonene", "ethanol", oil_parts=1, carrier_parts=9, celsius=20)
    members = [substance(name) for name in ("ethanol", "water", "limonene")]
    volumes, hsp = [one.volume for one in members], [one.hsp.array for one in members]
    sites = phases.Sites.joined([one.sites for one in members])
    point = phases.cloud_point([0.9, 0, 0.1], [0, 1, 0], volumes, hsp, celsius=20, sites=sites)
    assert f"clouds at {100 * float(point.fraction):.1f} % vol of water" in axes.get_title(loc="left")
    (mark,) = [line for line in axes.lines if line.get_marker() == "D"]
    share = float(point.fraction)
    corners = np.array([[0, 0], [1, 0], [0.5, np.sqrt(0.75)]])
    where = np.array([0.9 * (1 - share), share, 0.1 * (1 - share)]) @ corners
    assert mark.get_xydata()[0] == pytest.approx(where)
    lines = [line for line in axes.lines if line.get_marker() == "."]
    expected = phases.ternary_diagram(volumes, hsp, step=0.02, celsius=20, sites=sites).tie_lines
    assert len(lines) == len(expected) > 5


def test_triangle_of_an_oil_clouds_where_the_stock_does():
    axes = plotting.phase_triangle(CLOVE, "triacetin", ax=Figure().add_subplot())
    tolerance = dissolve(CLOVE, "triacetin").water_tolerance_percent
    assert f"clouds at {tolerance:.1f} % vol of water" in axes.get_title(loc="left")
    assert any("sums over the components" in " ".join(text.get_text().split()) for text in axes.texts)


# --- molecule -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("smiles", "method"),
    [
        *itertools.product([TRIETHYL_CITRATE, "CC1=CCC(CC1)C(C)=C", "CC(=O)OCC"], ["calibrated", "van-krevelen"]),
        ("COc1cc(CC=C)ccc1O", "calibrated"),  # of three substituents at a ring the published table knows nothing
    ],
)
def test_every_atom_belongs_to_one_group_and_counts_agree(smiles, method):
    given = estimate(smiles, method=method)
    claimed = atoms_of_groups(given)
    atoms = [atom for places in claimed.values() for one in places for atom in one]
    assert sorted(atoms) == list(range(len(atoms))), "each heavy atom once"
    counts = {row.group: row.count for row in given.groups}
    assert {group: len(places) for group, places in claimed.items()} == {group: counts[group] for group in claimed}


def test_contributions_add_up_and_are_named_on_the_molecule():
    given = estimate(TRIETHYL_CITRATE)
    axes = plotting.group_contributions(given, name="triethyl citrate")
    axes.figure.canvas.draw()
    picture, *columns = axes.child_axes
    for column, value, sd in zip(columns, given.hsp.array, given.sd, strict=False):
        assert sum(bar.get_width() for bar in column.patches) == pytest.approx(value, abs=1e-6)
        assert f"{value:.1f} ± {sd:.1f}" in [text.get_text() for text in column.texts]
        assert "MPa" in column.get_title()
    assert_apart(picture.texts, axes.figure)
    assert picture.images


# --- accuracy -------------------------------------------------------------------------------------------------


def test_parity_states_the_error_and_whether_it_is_out_of_sample():
    table = pd.DataFrame({"measured": [1.0, 2.0, 3.0, np.nan], "predicted": [1.5, 2.0, 2.0, 1.0], "sd": 0.6})
    axes = plotting.parity(table, sd="sd", quantity="x", unit="mPa s", out_of_sample=False)
    title = axes.get_title(loc="left").replace("\xa0", " ")
    assert "mean absolute error 0.5, the rows it was fitted to, n = 3" in title
    assert "67 % lie in their 90 % interval" in title
    assert "1 rows without both" in title
    assert axes.get_xlabel() == "x, measured [mPa s]"
    with pytest.raises(InputError, match="no column 'seen'"):
        plotting.parity(table, measured="seen", out_of_sample=True)


def test_reliability_counts_and_refuses_what_is_no_probability():
    table = pd.DataFrame({"probability": [0.05, 0.05, 0.95, 0.95], "happened": [False, True, True, True]})
    axes = plotting.reliability(table, out_of_sample=True)
    assert "off by 0.25 on average, out of sample" in axes.get_title(loc="left")
    (strip,) = axes.child_axes
    assert [int(bar.get_height()) for bar in strip.patches if bar.get_height()] == [2, 2]
    with pytest.raises(InputError, match="from 0 to 1"):
        plotting.reliability(table.assign(probability=1.2), out_of_sample=True)


# --- colours --------------------------------------------------------------------------------------------------

DEUTERANOPIA = np.array(
    [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
)
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])  # IEC 61966-2-1


def linear(color):
    rgb = np.array(to_rgb(color))
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def lab(light):
    ratio = TO_XYZ @ np.clip(light, 0, 1) / (TO_XYZ @ np.ones(3))
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_outcomes_differ_for_readers_with_deuteranopia_and_in_grey():
    # what is unknown is told by its square alone, in the grey of what is refused
    assert len({look.marker for look in OUTCOMES.values()}) == len(OUTCOMES)
    coloured = [look for name, look in OUTCOMES.items() if name != "unknown"]
    for one, other in itertools.combinations(coloured, 2):
        seen = [lab(DEUTERANOPIA @ linear(look.color)) for look in (one, other)]
        assert np.linalg.norm(seen[0] - seen[1]) > 25
        assert abs(seen[0][0] - seen[1][0]) > 8
        grey = [lab(linear(look.color))[0] for look in (one, other)]
        assert abs(grey[0] - grey[1]) > 8
        assert one.marker != other.marker
        assert one.fill != other.fill


def test_names_have_the_contrast_of_readable_text():
    def luminance(color):
        return float(TO_XYZ[1] @ linear(color))

    # 4.5:1 is WCAG 2.1, success criterion 1.4.3; the darkest shade of the map is the worst ground.
    assert 1.05 / (luminance(QUIET) + 0.05) > 4.5
    assert (luminance(SHADES[-1]) + 0.05) / (luminance(INK) + 0.05) > 4.5


# --- manners --------------------------------------------------------------------------------------------------


def test_radius_is_where_a_binary_stops_mixing_in_every_proportion():
    # Critical point of the Flory-Huggins free energy: chi_c = (1 + sqrt(V1/V2))^2 / 2 for one mole of V1.
    radius = interaction_radius(160.0, 75.0)
    chi = 160.0 * phases.ALPHA / (8.314462618 * 298.15) * radius**2 / 4
    assert chi == pytest.approx(0.5 * (1 + (160.0 / 75.0) ** 0.5) ** 2, rel=1e-6)


def drawers(ranked):
    two = ["triacetin", "glycerol"]
    table = pd.DataFrame({"measured": [1.0, 2.0], "predicted": [1.5, 2.0], "probability": [0.1, 0.9], "happened": 1})
    return {
        "ranking": lambda ax: plotting.ranking(ranked, ax=ax),
        "dose": lambda ax: plotting.dose(ranked, ax=ax),
        "map": lambda ax: plotting.map("limonene", two, ax=ax),
        "distance_fan": lambda ax: plotting.distance_fan("limonene", two, ax=ax),
        "phase_triangle": lambda ax: plotting.phase_triangle("limonene", "ethanol", ax=ax),
        "group_contributions": lambda ax: plotting.group_contributions("CCO", ax=ax),
        "parity": lambda ax: plotting.parity(table, ax=ax, out_of_sample=True),
        "reliability": lambda ax: plotting.reliability(table, ax=ax, out_of_sample=True),
    }


def test_a_dose_is_drawn_as_over_a_limit_where_the_ranking_says_so():
    # 21 CFR 184.1666(d) (read): at most 97 % of propylene glycol in a flavouring; 1 part of limonene to 40 is 98 %.
    # Triacetin: taste limit 500 mg/L, common practice, no source; nobody states one for ethyl lactate.
    asked = Application("US", "soft drinks", oil_mg_per_L=4)
    blend = Blend({"triacetin": 0.5, "ethyl lactate": 0.5}, basis="mass")
    found = rank_carriers("limonene", carriers=["propylene glycol", blend], carrier_parts=40, application=asked)
    colours = {}
    axes = plotting.dose(found, ax=Figure(figsize=(9, 6)).add_subplot())
    for line in axes.get_lines():
        if len(line.get_xdata()) == 2:
            colours[found.table["carrier"].iloc[int(line.get_ydata()[0])]] = line.get_color()
    assert colours == {"propylene glycol": WARNING, blend.name: PALE}
    assert "1 doses are over a limit: propylene glycol" in axes.get_title(loc="left")


def test_a_given_axes_is_the_one_drawn_on_and_pyplot_is_left_alone(ranked):
    for name, draw in drawers(ranked).items():
        axes = Figure(figsize=(9, 6), layout="constrained").add_subplot()
        assert draw(axes) is axes, name
        axes.figure.canvas.draw()
        assert axes.get_title(loc="left"), name
    deep = Figure().add_subplot(projection="3d")
    assert plotting.sphere("limonene", ["triacetin"], ax=deep) is deep
    assert plt.get_fignums() == []


def test_axes_in_a_part_of_a_figure_draw_and_save_the_whole(ranked, tmp_path):
    figure = plt.figure(figsize=(14, 6))
    left, right = figure.subfigures(1, 2)
    right.suptitle("the other half")
    axes = plotting.map(CITRUS, ax=left.add_subplot(), ranking=ranked)
    figure.canvas.draw()
    assert_apart(labels_of(axes).texts, figure)
    plotting.save(axes, tmp_path / "figure.png", dpi=50)
    high, wide = plt.imread(tmp_path / "figure.png").shape[:2]
    assert wide > 1.5 * high  # both halves


def test_a_wrong_axes_is_an_error(ranked):
    for draw in drawers(ranked).values():
        with pytest.raises(TypeError, match="expected a matplotlib Axes"):
            draw("here")
    with pytest.raises(InputError, match="projection='3d'"):
        plotting.sphere(CITRUS, ax=Figure().add_subplot(), ranking=ranked)
    with pytest.raises(InputError, match="three dimensions"):
        plotting.map("limonene", ["triacetin"], ax=Figure().add_subplot(projection="3d"))


def test_saving_to_an_unknown_format_says_so(ranked, tmp_path):
    axes = plotting.ranking(ranked)
    with pytest.raises(InputError, match="cannot draw to"):
        plotting.save(axes, tmp_path / "figure.nonsense")
    plotting.save(axes, tmp_path / "figure.svg")
    assert (
        "triacetin" in (tmp_path / "figure.svg").read_text(encoding="utf-8")
        or (tmp_path / "figure.svg").stat().st_size > 10_000
    )


# --- what is not for ingestion --------------------------------------------------------------------------------

#: Without a market each of them dissolves cassia.
POISONS = ["diethylene glycol", "triethyl phosphate", "diethyl phthalate"]


@pytest.fixture(scope="module")
def unasked():
    return rank_carriers("cassia", carriers=[*POISONS, "triacetin", "propylene glycol"])


def _struck(axes):
    return [line for line in axes.lines if line.get_marker() == (2, 0, 45)]


def _filled(axes):
    clear = OUTCOMES["clear"]
    return [
        line for line in axes.lines if line.get_marker() == clear.marker and line.get_markerfacecolor() == clear.color
    ]


def test_poison_is_at_the_end_of_the_bars_and_never_their_heading(unasked):
    axes = plotting.ranking(unasked)
    heading = axes.get_title(loc="left")
    assert heading.startswith("2 of 2 carriers")
    assert not any(name in heading for name in POISONS)
    assert {label.get_text() for label in axes.get_yticklabels()[2:]} == set(POISONS)
    assert len(_struck(axes)) == len(POISONS)
    assert len(_filled(axes)) == 2
    words = [text.get_text() for text in axes.texts]
    assert words.count("clear, not for ingestion") == len(POISONS)
    assert words.count("✗") == len(POISONS)


@pytest.mark.parametrize("draw", [plotting.map, plotting.sphere, plotting.distance_fan])
@pytest.mark.parametrize("with_ranking", [True, False])
def test_poison_is_hollow_and_struck_with_and_without_a_ranking(unasked, draw, with_ranking):
    axes = draw("cassia", ranking=unasked) if with_ranking else draw("cassia", [*POISONS, "triacetin"])
    assert len(_struck(axes)) == len(POISONS)
    assert len(_filled(axes)) == (2 if with_ranking else 0)
    key = " ".join(text.get_text() for text in axes.get_legend().get_texts())
    assert "not for ingestion" in key
    assert not any(name in axes.get_title(loc="left") for name in POISONS)


def test_poison_is_nowhere_nearest():
    assert "none of these may be used" in plotting.distance_fan("cassia", POISONS).get_title(loc="left")
    assert "0 of 0 carriers" in plotting.sphere("cassia", POISONS).get_title(loc="left")


def test_a_phase_diagram_of_poison_is_headed_so():
    heading = plotting.phase_triangle("limonene", "diethyl phthalate").get_title(loc="left")
    assert heading.startswith("diethyl phthalate: not for ingestion")
    assert "clear" not in heading


def test_a_fitted_sphere_strikes_trials_with_poison_through():
    from hspkit.sphere import SphereFit

    names = ["triacetin", "diethylene glycol", "glycerol", "lot 12"]
    points = [[16.5, 4.5, 9.1], [16.6, 12.0, 20.7], [17.4, 12.1, 29.3], [16.0, 5.0, 8.0]]
    fit = SphereFit(random_state=0).fit(points, ["clear", "clear", "splits", "clear"], names=names)
    axes = plotting.sphere_fit(fit)
    assert len(_struck(axes)) == 1
    assert "hollow, struck: not for ingestion" in [text.get_text() for text in axes.get_legend().get_texts()]


def test_figures_say_what_is_unknown_and_what_is_not_covered():
    soda = Application("US", "soft drinks", oil_mg_per_L=20)
    ranking = rank_carriers("vanillin", carriers=["propylene glycol", "MCT"], application=soda)
    axes = plotting.ranking(ranking, ax=Figure().add_subplot())
    assert axes.get_title(loc="left").startswith(
        "None of 2 allowed carriers is known to hold the oil clear; 2 not known"
    )
    axes = plotting.map("vanillin", ranking=ranking, ax=Figure().add_subplot())
    lavender = rank_carriers("lavender", carriers=["MCT", "triacetin"])
    for drawn in (plotting.ranking(lavender, ax=Figure().add_subplot()), plotting.map("lavender", ranking=lavender)):
        assert "(93.2 % covered)" in drawn.get_title(loc="left")
    # the headline names the first row, not another one that is a little surer
    assert f"first in order {lavender.best}" in plotting.ranking(lavender).get_title(loc="left")
