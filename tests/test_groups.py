"""Group counts: the array route against RDKit's own substructure search, and the bookkeeping of atoms."""

import random
from pathlib import Path

import numpy as np
import pytest
from rdkit import Chem

from hspkit.data import read_table
from hspkit.errors import DataFileError
from hspkit.groups import Batch, Group, GroupTable, compile_pattern, count_groups, find
from hspkit.molecules import Molecule, read_molecule, read_molecules

TABLES = ("groups/calibrated_groups.csv", "groups/van_krevelen.csv")


def unseen_structures() -> list[str]:
    """All SMILES of the identifier tables that the development package `chemicals` ships (from PubChem)."""
    chemicals = pytest.importorskip("chemicals")
    found = []
    for name in ("small", "large"):
        path = Path(chemicals.__file__).parent / "Identifiers" / f"chemical identifiers pubchem {name}.tsv"
        with path.open(encoding="utf-8") as lines:
            found += [line.split("\t", 5)[4] for line in lines]
    return found


def counts_by_substructure_search(graph, groups, queries) -> list[int]:
    """Count groups the plain way: RDKit's search, one pattern after the other, atoms claimed in table
    order."""
    free = set(range(graph.GetNumAtoms()))
    rings = [list(ring) for ring in graph.GetRingInfo().AtomRings()]
    aromatic = [all(graph.GetAtomWithIdx(i).GetIsAromatic() for i in ring) for ring in rings]
    plain = [len(ring) for ring, flat in zip(rings, aromatic, strict=True) if not flat]
    rung = {
        "rings": len(plain),
        "aromatic rings": sum(aromatic),
        "rings of 3 or 4": sum(size <= 4 for size in plain),
        "rings of 5 or more": sum(size > 4 for size in plain),
    }
    counts = []
    for group in groups:
        if group.level == "count":
            counts.append(rung[group.pattern])
            continue
        found = graph.GetSubstructMatches(queries[group.name], uniquify=False, maxMatches=1_000_000)
        matches = sorted({tuple(sorted(match)) for match in found})
        if group.level == "second":
            counts.append(len(matches))
            continue
        number = 0
        for match in matches:
            if free.issuperset(match):
                free -= set(match)
                number += 1
        counts.append(number)
    return counts


def compare_routes(smiles: list[str], name: str) -> None:
    table = GroupTable.read(name)
    queries = {g.name: Chem.MolFromSmarts(g.pattern) for g in table.groups if g.level != "count"}
    molecules = [answer for answer in read_molecules(smiles) if isinstance(answer, Molecule)]
    assert len(molecules) > 0.6 * len(smiles)
    for start in range(0, len(molecules), 1000):
        chunk = molecules[start : start + 1000]
        counts = table.count(chunk).counts
        for molecule, fast in zip(chunk, counts, strict=True):
            slow = counts_by_substructure_search(molecule.graph, table.groups, queries)
            assert fast.tolist() == slow, molecule.smiles


@pytest.mark.parametrize("name", TABLES)
def test_both_routes_agree_on_a_sample_of_unseen_molecules(name):
    compare_routes(random.Random(4).sample(unseen_structures(), 400), name)


@pytest.mark.slow
@pytest.mark.parametrize("name", TABLES)
def test_both_routes_agree_on_fifty_thousand_unseen_molecules(name):
    compare_routes(random.Random(5).sample(unseen_structures(), 50_000), name)


def test_every_heavy_atom_is_claimed_once_by_the_calibrated_table():
    table = GroupTable.read(TABLES[0])
    molecules = [read_molecule(s) for s in ("CCOC(=O)CC(O)(CC(=O)OCC)C(=O)OCC", "COc1cc(C=O)ccc1O")]
    counted = table.count(molecules)
    sizes = {g.name: Chem.MolFromSmarts(g.pattern).GetNumAtoms() for g in table.groups if g.level == "first"}
    for row, molecule in enumerate(molecules):
        atoms = sum(count * sizes[name] for name, count in counted.of(row).items() if name in sizes)
        assert atoms == molecule.heavy_atoms
        assert counted.left_over(row) == ()


def test_left_over_atoms_are_named():
    counted = count_groups(read_molecule("CCN"), GroupTable([Group("C", "first", "[CX4]")]))
    assert counted.left_over(0) == ("NH2 (atom 3)",)


def test_rival_matches_are_reported():
    counted = count_groups(read_molecule("FC(F)F"), GroupTable([Group("CF2", "first", "C(F)F")]))
    assert counted.of(0) == {"CF2": 1}
    assert "CH (atom 2)" in counted.claimed_twice(0)
    assert counted.left_over(0) == ("F (atom 4)",)


def test_order_of_molecules_in_a_batch_does_not_matter():
    table = GroupTable.read(TABLES[0])
    smiles = ["CCO", "CC1=CCC(CC1)C(C)=C", "O=C1CCCO1", "c1ccc2ccccc2c1", "CC(C)=CCCC(C)(O)C=C"]
    molecules = [read_molecule(text) for text in smiles]
    together = table.count(molecules).counts
    assert np.array_equal(together[::-1], table.count(molecules[::-1]).counts)
    assert all(np.array_equal(together[i], table.count([m]).counts[0]) for i, m in enumerate(molecules))


def test_an_empty_batch_has_no_rows():
    assert GroupTable.read(TABLES[0]).count([]).counts.shape[0] == 0


@pytest.mark.parametrize("pattern", ["[C@H]", "C>>C", "[C", "C1CC", "[CH2", "Xx", "[v4]", "[]", "C)C", ""])
def test_a_pattern_outside_the_subset_is_an_error_and_no_silent_mismatch(pattern):
    with pytest.raises(DataFileError):
        compile_pattern(pattern)


def test_a_bad_group_table_is_an_error():
    with pytest.raises(DataFileError, match="stand"):
        GroupTable([Group("A", "first", "C"), Group("A", "first", "O")])
    with pytest.raises(DataFileError, match="level"):
        GroupTable([Group("A", "third", "C")])
    with pytest.raises(DataFileError, match="no count"):
        GroupTable([Group("A", "count", "moons")])


def test_matches_are_unique_by_their_atoms():
    batch = Batch.of([Chem.MolFromSmiles("CC"), Chem.MolFromSmiles("C1CC1")])
    assert len(find("CC", batch)) == 1 + 3


def test_every_pattern_means_the_same_to_rdkit():
    for name in TABLES:
        for row in read_table(name).rows:
            if row["level"] != "count":
                assert Chem.MolFromSmarts(row["pattern"]) is not None, row["group"]
