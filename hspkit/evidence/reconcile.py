"""One substance: a prior and evidence in, the most probable parameters and their covariance out.

The fit is that of all shipped substances (`joint`) with few liquids: the substance with its prior, and its partners
with what the shipped evidence left of them.
"""

from __future__ import annotations

import html
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import checks
from hspkit.bonds import shipped_numbers
from hspkit.calibration import GAS_CONSTANT, calibration
from hspkit.errors import InputError
from hspkit.estimation import Estimate
from hspkit.evidence.facts import WATER, Fact, Liquids
from hspkit.evidence.joint import Prior, fit
from hspkit.evidence.measured import Evidence
from hspkit.hansen import HSP
from hspkit.substances import Substance, substance

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FLAG", "Reconciled", "Residual", "reconcile"]

Array = NDArray[np.float64]

#: A residual beyond this many standard deviations, theory's own misfit included, is flagged: no parameters that the
#: prior allows meet the piece together with the others.
FLAG = 2.5
#: Variance that a partner has at least, so that its precision is finite. [MPa]
_LEAST_VARIANCE = 1e-6


class Residual(NamedTuple):
    """What became of one piece: measured and predicted value, and how many standard deviations lie between."""

    kind: str
    measured: float
    predicted: float
    z: float
    flagged: bool
    source: str


@dataclass(frozen=True, eq=False)
class Reconciled:
    """Parameters of a substance after evidence.

    Parameters
    ----------
    hsp : HSP
        Most probable parameters. [MPa^0.5]
    covariance : ndarray of shape (3, 3)
        Covariance of the Gaussian that touches the optimum. [MPa]
    residuals : tuple of Residual
        One for each piece, in the order given. [-]
    prior : HSP
        Parameters before. [MPa^0.5]
    prior_covariance : ndarray of shape (3, 3)
        Their covariance. [MPa]
    """

    hsp: HSP
    covariance: Array
    residuals: tuple[Residual, ...]
    prior: HSP
    prior_covariance: Array

    @property
    def sd(self) -> Array:
        """Standard deviations of delta_d, delta_p, delta_h, shape (3,). [MPa^0.5]"""
        return np.sqrt(np.diag(self.covariance))

    @property
    def flagged(self) -> tuple[Residual, ...]:
        """The pieces that no parameters meet within `FLAG` standard deviations."""
        return tuple(residual for residual in self.residuals if residual.flagged)

    def table(self) -> pd.DataFrame:
        """Return the residuals as a DataFrame, one row a piece."""
        import pandas as pd

        return pd.DataFrame(self.residuals, columns=list(Residual._fields))

    def __repr__(self) -> str:
        parts = ", ".join(
            f"{name}={value:.2f}±{spread:.2f}"
            for name, value, spread in zip(("delta_d", "delta_p", "delta_h"), self.hsp.array, self.sd, strict=True)
        )
        return f"Reconciled({parts}, {len(self.residuals)} pieces, {len(self.flagged)} flagged)"

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(repr(self))}</p>" + self.table().to_html(index=False, float_format="{:.3g}".format)


def _start(prior: Substance | Estimate | str) -> tuple[Substance, Array, Array]:
    """Return the substance of a prior, its mean (3,) and covariance (3, 3)."""
    if isinstance(prior, Substance):
        return prior, prior.prior.array, np.asarray(prior.prior_covariance, dtype=float)
    if isinstance(prior, Estimate):
        return Substance(prior.smiles, prior.smiles), prior.hsp.array, np.diag(np.asarray(prior.sd[:3]) ** 2)
    if isinstance(prior, str):
        own = Substance(prior, prior)
        return own, own.prior.array, np.asarray(own.prior_covariance, dtype=float)
    raise checks.refuse(prior, "prior", "a Substance, an Estimate or a SMILES")


def _as_fact(item: Evidence, target: Substance, row: int) -> Fact:
    """Return a measured fact about the first of the liquids, with its partner in a row."""
    melting = item.melting if item.melting is not None else target.melting_celsius
    detail = max(25.0, 25.0 if melting is None else melting) if item.kind == "water solubility" else 25.0
    return Fact(item.kind, 0, row, item.value, float(item.sd), item.celsius, item.source, detail)


def reconcile(prior: Substance | Estimate | str, evidence: Iterable[Evidence]) -> Reconciled:
    """Reconcile the Hansen parameters of one substance with measured evidence.

    Parameters
    ----------
    prior : Substance, Estimate or str
        A Substance gives its ``prior`` and ``prior_covariance``, what stood before any evidence; an Estimate its values
        and standard deviations; a SMILES is estimated, and moved by what evidence taught about like structures. [-]
    evidence : iterable of Evidence
        What was measured. [-]

    Returns
    -------
    Reconciled
        ``hsp``, ``covariance``, ``residuals``, ``flagged``.

    Raises
    ------
    InputError
        When the prior is none of these, or a piece cannot be read.
    MoleculeError
        When a SMILES cannot be read.

    Examples
    --------
    >>> found = reconcile("CCCCCCCC(=O)OCC", [Evidence.water_solubility(70.1, source="AqSolDB")])
    >>> found.residuals[0].kind, found.flagged
    ('water solubility', ())
    """
    target, mean, covariance = _start(prior)
    items = checks.several(evidence, "evidence", "[Evidence.water_solubility(50, source='supplier sheet')]")
    for item in items:
        checks.kind(item, "one of the evidence", Evidence, "Evidence, such as Evidence.log_p(4.5)")
        if item.kind == "vaporisation enthalpy" and 1000.0 * item.value <= GAS_CONSTANT * 298.15:
            message = f"vaporisation enthalpy is {item.value:g} kJ/mol; less than RT leaves no cohesion"
            raise InputError(message)
    partners = {item.partner.identity: item.partner for item in items if item.partner is not None}
    if any(item.kind == "log P" for item in items):
        partners[WATER] = substance(WATER)
    rows = {identity: row for row, identity in enumerate(partners, start=1)}
    facts = [_as_fact(item, target, rows[item.partner.identity] if item.partner is not None else 0) for item in items]
    found = fit(facts, _liquids([target, *partners.values()]), _priors(mean, covariance, partners), calibration())
    place = {id(fact): number for number, fact in enumerate(found.facts)}
    residuals = []
    for item, fact in zip(items, facts, strict=True):
        # a solubility that no parameters give counts as mixing
        number = place.get(id(fact), next((i for i, kept in enumerate(found.facts) if kept.source == fact.source), 0))
        z, predicted, kept = found.residuals[number], found.predicted[number], found.facts[number]
        limit = 2.0 if kept.kind == "mixing" else FLAG
        residuals.append(
            Residual(kept.kind, float(kept.value), float(predicted), float(z), bool(abs(z) > limit), item.source)
        )
    return Reconciled(
        HSP(*found.hsp[0]), found.covariance[0], tuple(residuals), HSP(*np.maximum(mean, 0.0)), covariance
    )


def _liquids(members: list[Substance]) -> Liquids:
    """Return the target and its partners as arrays."""
    n = len(members)
    return Liquids(
        tuple(member.identity for member in members),
        tuple(member.smiles or "" for member in members),
        np.array([member.volume for member in members], dtype=float),
        np.array([member.volume_sd or 0.0 for member in members], dtype=float),
        np.array([member.molar_mass or np.nan for member in members], dtype=float),
        np.array([member.hsp.array for member in members]),
        np.ones(n, dtype=bool),
        np.ones((n, 3)),
        shipped_numbers(),
    )


def _priors(mean: Array, covariance: Array, partners: dict[str, Substance]) -> Prior:
    """Return what is thought before: of the target its prior, of the partners what all shipped evidence left."""
    if not np.all(np.isfinite(mean)) or not np.all(np.linalg.eigvalsh(covariance) > 0):
        message = "the prior must be finite with a positive definite covariance"
        raise InputError(message)
    means, blocks = [mean], [covariance]
    for partner in partners.values():
        means.append(partner.hsp.array)
        blocks.append(np.asarray(partner.covariance, dtype=float) + _LEAST_VARIANCE * np.eye(3))
    n = len(blocks)
    precision = np.zeros((3 * n, 3 * n))
    for place, block in enumerate(blocks):
        precision[3 * place : 3 * place + 3, 3 * place : 3 * place + 3] = np.linalg.inv(block)
    return Prior(np.array(means), precision, float(sum(np.linalg.slogdet(block)[1] for block in blocks)))
