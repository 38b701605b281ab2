"""What each group of a molecule adds to its parameters, drawn on the molecule."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from hspkit import checks
from hspkit.errors import InputError
from hspkit.estimation import Estimate, estimate
from hspkit.groups import Batch, GroupTable, find
from hspkit.molecules import read_molecule
from hspkit.plotting.canvas import axes_for, state
from hspkit.plotting.labels import Labels
from hspkit.plotting.outcomes import INK, PALE

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from hspkit.plotting.labels import Array

__all__ = ["atoms_of_groups", "group_contributions"]

#: Tables of groups of the methods of `estimate`.
_TABLES = {"calibrated": "groups/calibrated_groups.csv", "van-krevelen": "groups/van_krevelen.csv"}
#: Light tints of the palette of Okabe and Ito, one a group; names stand beside the atoms, so no reader needs the tint.
_TINTS = (
    "#F5C98A", "#A9D9F2", "#8FD3BC", "#F3EDA0", "#8FB2D9", "#F0A98A", "#E3BFD3", "#C9C9C9", "#D9C9A9", "#C5E3A9",
    "#C9BDE8", "#F5D9D2",
)  # fmt: skip
_QUANTITIES = ("delta_d", "delta_p", "delta_h")
_SYMBOLS = ("$\\delta_d$", "$\\delta_p$", "$\\delta_h$")
_UNIT = "MPa$^{0.5}$"
#: Size of the drawing of the molecule [pixel]; it is shown smaller, so that it stays sharp.
_CANVAS = (1500, 1150)


def atoms_of_groups(estimated: Estimate) -> dict[str, tuple[tuple[int, ...], ...]]:
    """Return the atoms that each first-order group of an estimate claims.

    Parameters
    ----------
    estimated : Estimate
        From `hspkit.estimate`. [-]

    Returns
    -------
    dict
        Group to one tuple of atom numbers, from 0, for each time it occurs. [-]

    Raises
    ------
    InputError
        When the method of the estimate has no table of groups.

    Examples
    --------
    >>> atoms_of_groups(estimate("CC(=O)OCC", method="van-krevelen"))["COO"]
    ((1, 2, 3),)
    """
    if estimated.method not in _TABLES:
        message = f"no table of groups for method {estimated.method!r}; methods: {', '.join(_TABLES)}"
        raise InputError(message)
    table = GroupTable.read(_TABLES[estimated.method])
    batch = Batch.of([read_molecule(estimated.smiles).graph])
    free = np.ones(batch.n_atoms, dtype=bool)
    claimed: dict[str, tuple[tuple[int, ...], ...]] = {}
    for group in table.groups:
        if group.level != "first":
            continue
        taken = []
        for row in find(group.pattern, batch):
            if free[row].all():
                free[row] = False
                taken.append(tuple(int(atom) for atom in row))
        if taken:
            claimed[group.name] = tuple(taken)
    return claimed


def group_contributions(molecule: Estimate | str, ax: Axes | None = None, *, name: str = "") -> Axes:
    """Draw a molecule with its groups shaded, and what each group adds to the three parameters.

    What to read: each shade and name on the molecule is a group; the bars beside say what all groups of that name
    add to delta_d, delta_p and delta_h, each column on its own scale, and the last line is their sum with its
    standard deviation. "surroundings" is what neighbours and rings change, "known molecules" the correction
    towards measured molecules of similar structure. A negative bar lowers the parameter.

    Parameters
    ----------
    molecule : Estimate or str
        An estimate, or a SMILES, which is estimated by the calibrated method. [-]
    ax : matplotlib Axes, optional
        Where to draw; it is divided into the drawing and the bars.
    name : str
        Name for the title; default the SMILES. [-]

    Returns
    -------
    matplotlib Axes
        The outer one; its `child_axes` are the drawing and the columns of bars.

    Raises
    ------
    MoleculeError
        When the SMILES cannot be read.
    TypeError
        When ax is not an Axes.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> axes = group_contributions("CC(=O)OCC", ax=Figure().add_subplot(), name="ethyl acetate")
    >>> len(axes.child_axes)
    4
    """
    estimated = estimate(molecule) if isinstance(molecule, str) else molecule
    checks.kind(estimated, "molecule", Estimate, "a SMILES, or an Estimate, as hspkit.estimate returns")
    checks.text(name, "name")
    claimed = atoms_of_groups(estimated)
    names, values = _rows(estimated, claimed)
    axes = axes_for(ax, size=(11.0, max(4.4, 2.0 + 0.34 * len(names))))
    axes.axis("off")
    tint = {group: _TINTS[k % len(_TINTS)] for k, group in enumerate(claimed)}
    picture = axes.inset_axes([0.0, 0.0, 0.43, 1.0])
    _draw(picture, estimated.smiles, claimed, tint)
    columns = [axes.inset_axes([0.6 + 0.135 * k, 0.06, 0.125, 0.88]) for k in range(3)]
    for k, column in enumerate(columns):
        _bars(column, values[:, k], [tint.get(group, PALE) for group in names], _SYMBOLS[k])
        sign = f"{estimated.hsp.array[k]:.1f} ± {estimated.sd[k]:.1f}"
        column.text(0.5, len(names), sign, transform=column.get_yaxis_transform(), ha="center", va="center",
                    fontsize="small", color=INK, weight="bold")  # fmt: skip
    counts = {row.group: row.count for row in estimated.groups}
    labels = [f"{group} × {counts[group]}" if counts.get(group, 1) > 1 else group for group in names]
    columns[0].set_yticks(range(len(names) + 1), [*labels, f"sum [{_UNIT}]"])
    columns[0].tick_params(axis="y", length=0, labelsize="small")
    most = int(np.argmax(np.where(np.isin(names, list(claimed)), np.abs(values[:, 1]) + np.abs(values[:, 2]), -1.0)))
    title = f"{name or estimated.smiles}: {names[most]} adds most to polarity and hydrogen bonding"
    state(axes, title, f"method {estimated.method}" + ("" if estimated.status == "ok" else f", {estimated.status}"))
    return axes


def _rows(estimated: Estimate, claimed: dict[str, Any]) -> tuple[list[str], Array]:
    """Return the lines of the bars: groups with atoms each by itself, the others summed by kind."""
    lines: dict[str, Array] = {}
    for row in estimated.groups:
        if row.group in claimed:
            key = row.group
        elif "to known molecules" in row.group:
            key = "known molecules"
        elif row.group == "constant":
            key = "constant"
        else:
            key = "surroundings"
        lines[key] = lines.get(key, np.zeros(3)) + np.array([getattr(row, quantity) for quantity in _QUANTITIES])
    order = [key for key in lines if key in claimed]
    order += [key for key in ("surroundings", "known molecules", "constant") if key in lines]
    return order, np.array([lines[key] for key in order])


def _bars(axes: Any, values: Array, tints: list[str], symbol: str) -> None:
    """Draw one column of bars with their figures, zero somewhere in the column."""
    places = np.arange(len(values))
    axes.barh(places, values, height=0.62, color=tints, edgecolor=INK, linewidth=0.8)
    span = max(float(values.max(initial=0.0) - values.min(initial=0.0)), 1e-9)
    axes.plot([0.0, 0.0], [-0.7, len(values) - 0.5], color=INK, linewidth=0.8)
    for place, value in zip(places, values, strict=True):
        if abs(value) < 0.05:
            continue
        side = 1 if value > 0 else -1
        axes.text(
            value + 0.04 * side * span, place, f"{value:.1f}".replace("-", "−"), ha="left" if side > 0 else "right",
            va="center", fontsize="x-small", color=INK,
        )  # fmt: skip
    low, high = min(values.min(initial=0.0), 0.0), max(values.max(initial=0.0), 0.0)
    axes.set_xlim(low - (0.32 * span if low < 0 else 0.04 * span), high + 0.36 * span)
    axes.set_ylim(len(values) + 0.6, -0.7)
    axes.axhline(len(values) - 0.5, color=INK, linewidth=0.8)
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_title(f"{symbol} [{_UNIT}]", fontsize="small")
    axes.spines[:].set_visible(False)


def _draw(axes: Any, smiles: str, claimed: dict[str, Any], tint: dict[str, str]) -> None:
    """Draw the molecule by RDKit with the atoms of each group shaded, and write the names of the groups beside."""
    from matplotlib.colors import to_rgb
    from matplotlib.image import imread
    from rdkit.Chem.Draw import rdMolDraw2D

    graph = rdMolDraw2D.PrepareMolForDrawing(read_molecule(smiles).graph)
    painter: Any = rdMolDraw2D.MolDraw2DCairo(*_CANVAS)
    options: Any = painter.drawOptions()
    options.padding = 0.14
    options.bondLineWidth = 4
    options.highlightRadius = 0.36
    options.highlightBondWidthMultiplier = 12
    options.fillHighlights = True
    options.fixedFontSize = 52
    options.useBWAtomPalette()
    paint: dict[int, Any] = {}
    bonds: dict[int, Any] = {}
    for group, places in claimed.items():
        for atoms in places:
            paint.update(dict.fromkeys(atoms, to_rgb(tint[group])))
            for bond in graph.GetBonds():
                if bond.GetBeginAtomIdx() in atoms and bond.GetEndAtomIdx() in atoms:
                    bonds[bond.GetIdx()] = to_rgb(tint[group])
    painter.DrawMolecule(
        graph, highlightAtoms=list(paint), highlightAtomColors=paint, highlightBonds=list(bonds),
        highlightBondColors=bonds,
    )  # fmt: skip
    painter.FinishDrawing()
    axes.imshow(imread(io.BytesIO(painter.GetDrawingText()), format="png"), interpolation="antialiased")
    axes.axis("off")
    spots = np.array([[painter.GetDrawCoords(k).x, painter.GetDrawCoords(k).y] for k in range(graph.GetNumAtoms())])
    texts = [group for group, places in claimed.items() for _ in places]
    anchors = np.array([_middle(spots, atoms) for places in claimed.values() for atoms in places])
    ends = np.array([[spots[bond.GetBeginAtomIdx()], spots[bond.GetEndAtomIdx()]] for bond in graph.GetBonds()])
    along = np.linspace(0.0, 1.0, 7)[:, None, None]
    ink = (
        np.concatenate([spots, (ends[:, 0] + along * (ends[:, 1] - ends[:, 0])).reshape(-1, 2)]) if len(ends) else spots
    )
    Labels(
        axes,
        lambda: axes.transData.transform(anchors),
        texts,
        widths=[13.0] * len(texts),
        styles=[{"fontsize": "small", "color": INK}] * len(texts),
        extra_marks=lambda: axes.transData.transform(ink),
    )


def _middle(spots: Array, atoms: Sequence[int]) -> Array:
    """Return the place of the atom of a group that is nearest to the middle of the group: its name stands there."""
    own = spots[list(atoms)]
    return np.asarray(own[np.argmin(np.sum((own - own.mean(axis=0)) ** 2, axis=1))])
