"""A solid dissolves less than its supercooled liquid would; evidence is about the liquid.

ln(x_liquid/x_solid) = (entropy of fusion / RT) (T_m - T). Rigid, not globular molecules melt with about 56.5 J/(mol K)
(Walden's rule; it is the 0.01 (T_m - 25) of the general solubility equation). Cage molecules such as camphor or
borneol already rotate in their crystal, so little is left to gain on melting; Walden's rule would make camphor
forty times too soluble as a liquid.
"""

from __future__ import annotations

from functools import cache

import numpy as np

__all__ = ["CAGE_ENTROPY", "WALDEN_ENTROPY", "fusion_entropy", "supercooled_fraction"]

#: Entropy of fusion of rigid molecules [J/(mol K)]. S.H. Yalkowsky, Ind. Eng. Chem. Fundam. 18 (1979) 108 (memory).
WALDEN_ENTROPY = 56.5
#: Entropy of fusion of globular (cage) molecules [J/(mol K)]; same reference, symmetry number 100 (memory).
CAGE_ENTROPY = 12.0
#: How far these rules may be off, as a share of the correction; judgement, no source.
MELTING_DOUBT = 0.3
_RT = 8.31446261815324 * 298.15


@cache
def fusion_entropy(smiles: str) -> float:
    """Return the rule-of-thumb entropy of fusion of a structure. [J/(mol K)]

    Examples
    --------
    >>> fusion_entropy("CC1(C)C2CCC1(C)C(=O)C2")  # camphor
    12.0
    """
    from rdkit import Chem
    from rdkit.Chem import rdMolDescriptors

    molecule = Chem.MolFromSmiles(smiles) if smiles else None
    if molecule is None or rdMolDescriptors.CalcNumBridgeheadAtoms(molecule) == 0:
        return WALDEN_ENTROPY
    rings = {atom for ring in molecule.GetRingInfo().AtomRings() for atom in ring}
    mostly_cage = len(rings) >= 0.6 * molecule.GetNumAtoms()
    return CAGE_ENTROPY if mostly_cage else WALDEN_ENTROPY


def supercooled_fraction(
    ln_mg_per_L: float, molar_mass: float, volume: float, melting: float, entropy: float = WALDEN_ENTROPY
) -> tuple[float, float]:
    """Return the volume fraction at which a substance, liquid or supercooled, saturates water; and a doubt in ln.

    Parameters
    ----------
    ln_mg_per_L : float
        Natural logarithm of the measured solubility in mg/L. [-]
    molar_mass : float
        Molar mass. [g/mol]
    volume : float
        Molar volume of the liquid. [cm3/mol]
    melting : float
        Melting point; anything up to 25 counts as a liquid. [degC]
    entropy : float
        Entropy of fusion. [J/(mol K)]

    Examples
    --------
    >>> fraction, doubt = supercooled_fraction(np.log(900.0), 150.2, 154.8, 50.0)
    >>> round(fraction, 5), round(doubt, 2)
    (0.00164, 0.17)
    """
    gain = entropy / _RT * max(melting - 25.0, 0.0)
    return float(np.exp(ln_mg_per_L + gain) / 1e6 / molar_mass * volume), MELTING_DOUBT * gain
