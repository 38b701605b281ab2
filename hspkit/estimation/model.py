"""`GroupModel`: the calibrated group contribution, for the shipped coefficients and for anyone's data.

E_p = sum n_i p_i + likeness, E_h = sum n_i h_i + likeness, delta = sqrt(h(E)/V); delta_d = constant + 100
sum n_i d_i / V + likeness; V = constant + sum n_i v_i. In molecules with elements beyond C, H and O a group
may take a somewhat different value. *Likeness* is what known molecules that share groups and proportions
have in common beyond the sum of their groups; it is one row of `Estimate.groups`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import checks
from hspkit.errors import InputError, MoleculeError
from hspkit.estimation import coefficients, energy, frames, spread
from hspkit.estimation.coefficients import LEAST_VOLUME, Coefficients, Design
from hspkit.estimation.likeness import Anchors, describe, is_other, summable
from hspkit.estimation.penalties import HUBER, STRENGTH
from hspkit.estimation.result import Estimate, GroupShare, Prediction
from hspkit.estimation.series import folds_of
from hspkit.groups import Batch, GroupCounts
from hspkit.hansen import HSP
from hspkit.molecules import Molecule, read_molecules
from hspkit.parameters import Fitted

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["GroupModel"]

Array = NDArray[np.float64]


HANSEN = ("delta_d", "delta_p", "delta_h")
#: Fewest molecules a model is fitted to: below it there is nothing to tell the error bars from.
LEAST_MOLECULES = 10
#: A larger molar volume [cm3/mol] or scale of the model [-] is a slip; judgement.
MOST_VOLUME, MOST_SCALE = 1e5, 1e3
#: A group met in fewer known molecules than this makes an answer extrapolated.
LEAST_SUPPORT = 3
#: Below this likeness to the most alike known molecule (1.4 is identical) an answer is extrapolated.
LEAST_LIKENESS = 0.4
#: An answer is extrapolated when the molecule is larger than the largest known one by this factor.
MOST_OVERSIZE = 1.2
#: Molecules compared with the known ones at once; a block of likenesses then stays in the cache.
BLOCK = 128


class GroupModel(Fitted):
    """Group contribution with error bars, fitted to known molecules.

    Parameters
    ----------
    strength : float
        Scales how far groups may depart from their families and from zero. [-]
    likeness : float
        Scales what like molecules say beyond their groups; 0 leaves a purely additive model. [-]
    folds : int
        Folds, homologues kept together, from which the error bars are learnt. [-]
    random_state : int or numpy Generator
        Deals the homologous series to folds. [-]

    Attributes
    ----------
    coefficients_ : Coefficients
        Group values, in molecules of C, H, O and in others. [MPa^0.5 cm3, kJ/mol, cm3/mol]
    support_ : ndarray of shape (n_groups,)
        In how many known molecules each group occurs. [-]
    out_of_fold_ : ndarray of shape (n, 3)
        Predictions for the known molecules by models that had not seen their homologues. [MPa^0.5]

    Examples
    --------
    >>> alcohols = ["C" * n + "O" for n in range(1, 13)]
    >>> hsp = [[15.8, 10.0 - 0.5 * n, 21.0 - 0.8 * n] for n in range(1, 13)]
    >>> model = GroupModel(folds=3, random_state=0).fit(alcohols, hsp)
    >>> frame = model.predict(["CCCCCO", "not a molecule"])
    >>> frame["status"].tolist(), bool(abs(frame["delta_h"][0] - 17.0) < 1.0)
    (['ok', 'failed'], True)
    """

    def __init__(self, *, strength: float = 1.0, likeness: float = 1.0, folds: int = 10, random_state: Any = 0) -> None:
        self.strength = strength
        self.likeness = likeness
        self.folds = folds
        self.random_state = random_state

    # ---------------------------------------------------------------- fitting

    def fit(self, smiles: Iterable[Any], hsp: ArrayLike, volume: ArrayLike | None = None) -> GroupModel:
        """Fit to Hansen parameters of known molecules.

        Parameters
        ----------
        smiles : iterable of str
            Structures. [-]
        hsp : array_like of shape (n, 3)
            delta_d, delta_p, delta_h. [MPa^0.5]
        volume : array_like of shape (n,), optional
            Molar volumes at 25 C; default: from the shipped group volumes, which are otherwise corrected by
            what these volumes say. [cm3/mol]

        Returns
        -------
        GroupModel
            Itself.

        Raises
        ------
        InputError
            When shapes do not fit, a value is missing or negative, or there are fewer than 10 molecules.
        MoleculeError
            When structures cannot be used; the message names the rows. A fit does not drop rows silently.
        """
        self._check_parameters()
        entries = checks.several(smiles, "smiles", "['CCO', 'CCCO']")
        answers = list(read_molecules(entries))
        bad = [answer for answer in answers if not isinstance(answer, Molecule)]
        if bad:
            shown = "; ".join(f"row {answer.row}: {answer.reason}" for answer in bad[:5])
            message = f"{len(bad)} of {len(answers)} structures cannot be used: {shown}; drop or correct these rows"
            raise MoleculeError(message)
        target = checks.array(hsp, "hsp", "(n, 3)")
        if target.shape != (len(entries), 3):
            message = f"hsp has shape {target.shape}; expected ({len(entries)}, 3): delta_d, delta_p, delta_h"
            raise InputError(message)
        if len(entries) < LEAST_MOLECULES:
            message = f"{len(entries)} molecules given; at least {LEAST_MOLECULES} are needed"
            raise InputError(message)
        possible = (target >= 0) & (target <= checks.MOST_HSP)
        if not possible.all():
            row = int(np.flatnonzero(~possible.all(axis=1))[0])
            message = f"hsp row {row} is {target[row].tolist()}; expected finite numbers >= 0 in MPa^0.5"
            raise InputError(message)
        molecules = [answer for answer in answers if isinstance(answer, Molecule)]
        design = coefficients.design()
        counted = design.table.count(molecules)
        other = is_other(counted.batch)
        volumes = coefficients.shipped_volumes()
        if volume is not None:
            given = checks.array(volume, "volume", "(n,)")
            if given.shape != (len(entries),) or not ((given > 0) & (given <= MOST_VOLUME)).all():
                message = f"volume must hold {len(entries)} finite numbers > 0 in cm3/mol, one per structure"
                raise InputError(message)
            volumes = volumes.corrected(counted.counts, other, given)
        fold = folds_of([molecule.graph for molecule in molecules], self.folds, self.random_state)
        return self.fit_counted(counted, target, volumes, fold, [molecule.smiles for molecule in molecules])

    def _check_parameters(self) -> None:
        """Refuse parameters that cannot be used: `fit` does, as scikit-learn's tools set them one by one."""
        self.strength = checks.positive(self.strength, "strength", "", most=MOST_SCALE)
        self.likeness = checks.number(self.likeness, "likeness", "", low=0, high=MOST_SCALE)
        self.folds = checks.whole(self.folds, "folds", low=2)
        self.random_state = checks.random_state(self.random_state)

    def fit_counted(
        self,
        counted: GroupCounts,
        hsp: Array,
        volumes: coefficients.Volumes,
        fold: NDArray[np.int64],
        names: Sequence[str] = (),
    ) -> GroupModel:
        """Fit to counted groups of checked molecules, named and dealt to folds; see `fit`.

        Parameters
        ----------
        counted : GroupCounts
            Groups of the molecules. [-]
        hsp : ndarray of shape (n, 3)
            Their Hansen parameters. [MPa^0.5]
        volumes : Volumes
            Coefficients of the molar volume. [cm3/mol]
        fold : ndarray of shape (n,)
            Fold of each molecule. [-]
        names : sequence of str
            Names of the molecules. [-]
        """
        self.design_ = coefficients.design()
        self.volumes_ = volumes
        counts, batch = counted.counts, counted.batch
        other = is_other(batch)
        volume = np.maximum(volumes.of(counts, other), LEAST_VOLUME)
        self.out_of_fold_ = np.full(hsp.shape, np.nan)
        self.nearest_ = np.full(len(hsp), np.nan)
        rare = np.full(len(hsp), np.nan)
        descriptors = describe(batch, volume)
        for held in np.unique(fold):
            out, seen = fold == held, fold != held
            if not seen.any():
                continue
            self._learn(counts[seen], descriptors[seen], other[seen], volume[seen], hsp[seen])
            values, self.nearest_[out] = self._values(counts[out], descriptors[out], other[out], volume[out])
            rare[out] = self._rarity(counts[out])
            self.out_of_fold_[out] = values
        known = np.isfinite(self.out_of_fold_[:, 0])
        features = spread.features(self.out_of_fold_, self.nearest_, rare, other)
        self.rare_ = rare
        self.spread_ = spread.fit(features[known], (hsp - self.out_of_fold_)[known])
        self._learn(counts, descriptors, other, volume, hsp)
        self.largest_ = float(volume.max())
        self.names_ = list(names)
        return self

    def _learn(
        self,
        counts: NDArray[np.int64],
        descriptors: Array,
        other: NDArray[np.bool_],
        volume: Array,
        hsp: Array,
    ) -> None:
        """Learn weights of the known molecules and fold them into group values."""
        design: Design = self.design_
        self.support_ = (counts > 0).sum(axis=0)
        self.anchors_ = Anchors(counts, descriptors, design.likeness)
        alike = self.anchors_.likeness(counts, descriptors).astype(float)
        per_volume = 100.0 / volume
        rows = other.astype(float)
        pair = np.outer(rows, rows)
        self.constant_ = float(np.median(hsp[:, 0]))
        weights: list[Array] = []
        values = np.zeros((2, 3, counts.shape[1]))
        for column, name in enumerate(HANSEN):
            strength = STRENGTH[name]
            terms = counts * design.terms(name)
            if column == 0:
                terms = terms * per_volume[:, None]
            variance = design.variance(strength.group, strength.second, strength.family) * self.strength
            departure = design.variance(strength.other, 0.0, 10.0 * strength.other) * self.strength
            covariance = terms @ variance @ terms.T
            if strength.other:
                covariance += pair * (terms @ departure @ terms.T)
            covariance += self.likeness * (strength.likeness + strength.likeness_other * pair) * alike
            if column == 0:
                found = energy.fit_weights(covariance, hsp[:, 0] - self.constant_, huber=HUBER[name])
            else:
                found = energy.fit_energy_weights(covariance, volume, hsp[:, column], huber=HUBER[name])
            values[0, column] = variance @ (terms.T @ found)
            values[1, column] = departure @ (terms.T @ (found * rows))
            weights += [
                self.likeness * strength.likeness * found,
                self.likeness * strength.likeness_other * found * rows,
            ]
        self.weights_ = np.column_stack(weights)
        self.coefficients_ = Coefficients(values[0], values[0] + values[1])

    # ------------------------------------------------------------- predicting

    def _sums(
        self, counts: NDArray[np.int64], descriptors: Array, other: NDArray[np.bool_], volume: Array
    ) -> tuple[Array, Array, Array]:
        """Return group sums (n, 3), likeness terms (n, 3), and likeness to the most alike known molecule
        (n,)."""
        sums = self.coefficients_.sums(counts, other)
        sums[:, 0] *= 100.0 / volume
        weights = summable(self.weights_)
        terms = np.empty((len(counts), weights.shape[1]))
        nearest = np.zeros(len(counts))
        for start in range(0, len(counts), BLOCK):
            rows = slice(start, start + BLOCK)
            alike = self.anchors_.likeness(counts[rows], descriptors[rows])
            terms[rows] = alike.astype(float) @ weights
            nearest[rows] = alike.max(axis=1, initial=0.0)
        extra = terms[:, 0::2] + other[:, None] * terms[:, 1::2]
        return sums, extra, nearest

    def _values(
        self, counts: NDArray[np.int64], descriptors: Array, other: NDArray[np.bool_], volume: Array
    ) -> tuple[Array, Array]:
        sums, extra, nearest = self._sums(counts, descriptors, other, volume)
        total = sums + extra
        values = np.column_stack(
            [
                np.maximum(self.constant_ + total[:, 0], 0.0),
                energy.delta_from_energy(total[:, 1], volume),
                energy.delta_from_energy(total[:, 2], volume),
            ]
        )
        return values, nearest

    def _rarity(self, counts: NDArray[np.int64]) -> Array:
        """Return 1/sqrt(1 + support) of the rarest first-order group present; 0 common, 1 never seen. [-]"""
        rarity = np.where(self.design_.first, 1.0 / np.sqrt(1.0 + self.support_), 0.0)
        return np.where(counts > 0, rarity, 0.0).max(axis=1, initial=0.0)

    def predict_batch(self, batch: Batch, names: list[str], notes: list[tuple[str, ...]]) -> Prediction:
        """Estimate a batch of checked molecules.

        Parameters
        ----------
        batch : Batch
            The molecules. [-]
        names : list of str
            What to call them in messages: their SMILES. [-]
        notes : list of tuple of str
            What was already remarked about each. [-]

        Returns
        -------
        Prediction
            Values, standard deviations, status and notes. [MPa^0.5, cm3/mol]
        """
        counted = self.design_.table.count_batch(batch)
        counts, other = counted.counts, is_other(counted.batch)
        raw = self.volumes_.of(counts, other)
        volume = np.maximum(raw, LEAST_VOLUME)
        descriptors = describe(counted.batch, volume)
        hansen, nearest = self._values(counts, descriptors, other, volume)
        rare = self._rarity(counts)
        sd = np.column_stack(
            [
                self.spread_.sd(spread.features(hansen, nearest, rare, other)),
                self.volumes_.sd(counts, other, volume),
            ]
        )
        values = np.column_stack([hansen, volume])
        status = ["ok"] * len(names)
        notes = list(notes)
        for row, reasons in self._doubts(counts, nearest, raw).items():
            status[row] = "extrapolated"
            notes[row] = (*notes[row], *reasons)
        for row, reason in self._impossible(counted).items():
            status[row], notes[row] = "failed", (f"{names[row]!r}: {reason}",)
            values[row] = sd[row] = np.nan
        return Prediction(values, sd, status, notes)

    def _doubts(self, counts: NDArray[np.int64], nearest: Array, volume: Array) -> dict[int, list[str]]:
        """Say for each extrapolated row why it is."""
        doubts: dict[int, list[str]] = {}
        scarce = np.flatnonzero(self.design_.first & (self.support_ < LEAST_SUPPORT))
        for row, column in zip(*np.nonzero(counts[:, scarce]), strict=True):
            group = scarce[column]
            doubts.setdefault(int(row), []).append(
                f"group {self.design_.table.names[group]} occurs in {self.support_[group]} known molecule(s)"
            )
        for row in np.flatnonzero(nearest < LEAST_LIKENESS):
            doubts.setdefault(int(row), []).append(f"no known molecule is like it (likeness {nearest[row]:.2f})")
        for row in np.flatnonzero(volume > MOST_OVERSIZE * self.largest_):
            doubts.setdefault(int(row), []).append(
                f"its volume {volume[row]:.0f} cm3/mol is far above the largest known, {self.largest_:.0f}"
            )
        for row in np.flatnonzero(volume < LEAST_VOLUME):
            doubts.setdefault(int(row), []).append(
                f"its group volume {volume[row]:.0f} cm3/mol is not possible; {LEAST_VOLUME:.0f} taken"
            )
        return doubts

    def _impossible(self, counted: GroupCounts) -> dict[int, str]:
        """Say which rows hold a group about which nothing is known, not even by its family."""
        blind = np.flatnonzero(self.design_.first & (self.support_ == 0) & ~self.design_.has_family)
        found: dict[int, str] = {}
        for row, column in zip(*np.nonzero(counted.counts[:, blind]), strict=True):
            found[int(row)] = f"no known molecule holds the group {self.design_.table.names[blind[column]]}"
        for row in np.flatnonzero(counted.batch.per_molecule(np.flatnonzero(counted.unclaimed))):
            found[int(row)] = f"no group covers {', '.join(counted.left_over(int(row)))}"
        return found

    def predict(self, smiles: Iterable[Any]) -> pd.DataFrame:
        """Estimate many structures with this model.

        Parameters
        ----------
        smiles : iterable of str
            Structures; a Series keeps its index. [-]

        Returns
        -------
        DataFrame
            As `hspkit.estimate_many`.
        """
        return frames.frame_of(smiles, self.predict_batch)

    def estimate_molecule(self, molecule: Molecule) -> Estimate:
        """Estimate one checked molecule with the share of each group.

        Raises
        ------
        MoleculeError
            When it holds a group about which nothing is known.
        """
        found = self.predict_batch(Batch.of([molecule.graph]), [molecule.smiles], [molecule.notes])
        if found.status[0] == "failed":
            raise MoleculeError(found.notes[0][0])
        values = found.values[0]  # noqa: PD011 (not a DataFrame)
        groups = self._shares(molecule, values)
        return Estimate(
            molecule.smiles,
            "calibrated",
            HSP(*values[:3]),
            float(values[3]),
            found.sd[0],
            np.vstack([self.spread_.limits, self.volumes_.limits]),
            groups,
            found.status[0],
            found.notes[0],
            ("calibrated_fit",),
        )

    def _shares(self, molecule: Molecule, values: Array) -> tuple[GroupShare, ...]:
        counted = self.design_.table.count([molecule])
        counts, other = counted.counts, is_other(counted.batch)
        volume = values[3:4]
        descriptors = describe(counted.batch, volume)
        _, extra, _ = self._sums(counts, descriptors, other, volume)
        parts = counts[0][:, None] * self.coefficients_.of(bool(other[0])).T
        parts[:, 0] *= 100.0 / volume[0]
        volumes = counts[0] * self.volumes_.values(bool(other[0]))
        closest = np.argsort(-self.anchors_.likeness(counts, descriptors)[0], kind="stable")[:3]
        names = ", ".join(self.names_[i] for i in closest)
        rows = [
            (self.design_.table.names[i], int(counts[0, i]), *parts[i], volumes[i]) for i in np.flatnonzero(counts[0])
        ]
        rows.append((f"likeness to known molecules ({names})", 1, *extra[0], 0.0))
        rows.append(("constant", 1, self.constant_, 0.0, 0.0, self.volumes_.constant))
        table = np.array([row[2:] for row in rows])
        scale = np.ones(4)
        for column in range(4):
            total = table[:, column].sum()
            if total != 0:
                scale[column] = values[column] / total
        return tuple(
            GroupShare(row[0], row[1], *(float(x) for x in part))
            for row, part in zip(rows, table * scale, strict=True)
            if part.any()
        )

    # ---------------------------------------------------------------- shipped

    @classmethod
    def shipped(cls) -> GroupModel:
        """Return the model with the coefficients of ``datasets/groups/``."""
        model = cls()
        vars(model).update(coefficients.shipped_numbers())
        return model
