"""The crystal of a substance: where it melts, and the entropy that it gains there.

The entropy of fusion is measured (`fusion_enthalpies.csv`) or estimated from the structure: a rigid molecule gains a
fixed amount, each bond that can turn in the liquid adds to it, and a molecule that already turns in its crystal (a cage
such as camphor) has little left to gain. The form is Walden's rule with the flexibility of S.H. Yalkowsky (Ind. Eng.
Chem. Fundam. 18 (1979) 108-111, from memory); the coefficients were fitted to measured solubilities of solids
(`fusion_entropy.csv`), so that they carry along what the heat capacity does and are effective ones.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import checks, data
from hspkit.errors import InputError
from hspkit.substances import Substance

__all__ = ["Crystal", "crystal_of", "estimated_entropy", "fusion_features", "is_zwitterion"]

#: Standard deviation of an entropy of fusion as a share of it [-]: of a measured one, mostly the change of heat
#: capacity (judgement); of an estimate, chosen so that held-out solubilities lie in their intervals as often as said.
MEASURED_SHARE, ESTIMATED_SHARE = 0.08, 0.18
#: Non-terminal atoms of a molecule beyond which its size counts [-].
_RIGID_SIZE = 14
#: Share of atoms in rings and number of hetero atoms of a cage [-].
_CAGE_RINGS, _CAGE_HETERO = 0.6, 1
#: Least entropy of fusion [J/(mol K)]; what turns freely in its crystal has about this. Judgement, no source.
_LEAST_ENTROPY = 5.0
_ACID = "[$([CX3](=O)[OX2H1]),$([PX4](=O)[OX2H1]),$([SX4](=O)(=O)[OX2H1])]"
_BASE = "[NX3;!$(N~[C,S,P]=[O,S,N]);!$(N-a);!$(N-[O,N])]"


class Crystal(NamedTuple):
    """A crystal: melting point [degC], entropy of fusion and its standard deviation [J/(mol K)], where it is from."""

    melting_celsius: float
    entropy: float
    entropy_sd: float
    source: str


@cache
def _coefficients() -> tuple[tuple[str, float], ...]:
    return tuple((row["term"], row["J_per_mol_K"]) for row in data.read_table("fusion_entropy.csv").rows)


@cache
def _measured() -> dict[str, tuple[float, str]]:
    rows = data.read_table("fusion_enthalpies.csv").rows
    return {row["substance"]: (row["J_per_mol"], row["source"]) for row in rows}


@cache
def fusion_features(smiles: str) -> tuple[float, ...]:
    """Return what the entropy of fusion of a structure hangs on, in the order of ``fusion_entropy.csv``.

    One; bonds that turn (chain atoms that are not ends, sp2 and ring systems by half, less one); atoms other than
    hydrogen beyond 14; whether it holds other elements than C, H and O; acid groups beyond the first; whether it is a
    cage.

    Parameters
    ----------
    smiles : str
        Structure. [-]

    Raises
    ------
    InputError
        When the structure cannot be read.

    Examples
    --------
    >>> fusion_features("CCCCCCCCCC(=O)O"), fusion_features("CC1(C)C2CCC1(C)C(=O)C2")
    ((1.0, 7.5, 0.0, 0.0, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0, 0.0, 1.0))
    """
    from rdkit import Chem
    from rdkit.Chem import rdMolDescriptors

    molecule = Chem.MolFromSmiles(smiles) if smiles.isascii() else None
    if molecule is None or molecule.GetNumAtoms() == 0:
        message = f"structure {checks.said(smiles)} cannot be read; expected a SMILES"
        raise InputError(message)
    rings = [set(ring) for ring in molecule.GetRingInfo().AtomRings()]
    inside = set().union(*rings)
    systems: list[set[int]] = []
    for ring in rings:
        touching = [system for system in systems if system & ring]
        systems = [system for system in systems if not system & ring] + [ring.union(*touching)]
    turning = 0.5 * len(systems) - 1.0
    for atom in molecule.GetAtoms():
        if atom.GetIdx() not in inside and atom.GetDegree() > 1:
            turning += {Chem.HybridizationType.SP3: 1.0, Chem.HybridizationType.SP2: 0.5}.get(
                atom.GetHybridization(), 0.0
            )
    symbols = [atom.GetSymbol() for atom in molecule.GetAtoms()]
    hetero = sum(symbol not in ("C", "H") for symbol in symbols)
    cage = (
        rdMolDescriptors.CalcNumBridgeheadAtoms(molecule) > 0
        and len(inside) >= _CAGE_RINGS * len(symbols)
        and hetero <= _CAGE_HETERO
    )
    acids = len(molecule.GetSubstructMatches(Chem.MolFromSmarts("[CX3](=O)[OX2H1]")))
    return (
        1.0,
        max(turning, 0.0),
        float(max(molecule.GetNumHeavyAtoms() - _RIGID_SIZE, 0)),
        float(any(symbol not in ("C", "H", "O") for symbol in symbols)),
        float(max(acids - 1, 0)),
        float(cage),
    )


def estimated_entropy(smiles: str) -> float:
    """Return the entropy of fusion of a structure. [J/(mol K)]

    Parameters
    ----------
    smiles : str
        Structure. [-]

    Raises
    ------
    InputError
        When the structure cannot be read.

    Examples
    --------
    >>> estimated_entropy("CC1(C)C2CCC1(C)C(=O)C2") < 20 < estimated_entropy("O=Cc1ccc(O)c(OC)c1")
    True
    """
    coefficients: NDArray[np.float64] = np.array([value for _, value in _coefficients()])
    return max(_LEAST_ENTROPY, float(coefficients @ np.array(fusion_features(smiles))))


def is_zwitterion(smiles: str) -> bool:
    """Tell whether a structure has an acid and a basic nitrogen: a salt of itself, of which nothing is known here.

    Parameters
    ----------
    smiles : str
        Structure. [-]

    Examples
    --------
    >>> is_zwitterion("NCC(=O)O"), is_zwitterion("O=C(O)c1ccccc1")
    (True, False)
    """
    from rdkit import Chem

    molecule = Chem.MolFromSmiles(smiles) if smiles and smiles.isascii() else None
    if molecule is None:
        return False
    return all(molecule.HasSubstructMatch(Chem.MolFromSmarts(pattern)) for pattern in (_ACID, _BASE))


def crystal_of(
    solid: Substance, *, melting_celsius: float | None = None, fusion_J_per_mol: float | None = None
) -> Crystal | None:
    """Return the crystal of a substance; None when its melting point is not known.

    Parameters
    ----------
    solid : Substance
        What melts.
    melting_celsius : float, optional
        Own melting point. [degC]
    fusion_J_per_mol : float, optional
        Own enthalpy of fusion. [J/mol]

    Raises
    ------
    InputError
        When a melting point lies below absolute zero or an enthalpy is not positive.

    Examples
    --------
    >>> from hspkit import substance
    >>> crystal_of(substance("benzoic acid")).source
    'crc-fusion'
    """
    melting = solid.melting_celsius
    if melting_celsius is not None:
        expected = "a melting point in degC"
        melting = checks.number(melting_celsius, "melting_celsius", "", low=-273.0, high=1500.0, expected=expected)
    if melting is None:
        return None
    kelvin = melting + 273.15
    if fusion_J_per_mol is not None:
        heat = checks.number(fusion_J_per_mol, "fusion_J_per_mol", "in J/mol", low=1.0, high=1e6)
        return Crystal(melting, heat / kelvin, MEASURED_SHARE * heat / kelvin, "user")
    measured = _measured().get(solid.identity)
    if measured is not None:
        entropy = measured[0] / kelvin
        return Crystal(melting, entropy, MEASURED_SHARE * entropy, measured[1])
    if not solid.smiles:
        return None
    entropy = estimated_entropy(solid.smiles)
    return Crystal(melting, entropy, ESTIMATED_SHARE * entropy, "fusion-fit")
