"""Molecules to counts of structural groups, by array operations on whole batches."""

from __future__ import annotations

from hspkit.groups.arrays import Batch, Gatherer
from hspkit.groups.patterns import compile_pattern, find
from hspkit.groups.table import COUNTS, Group, GroupCounts, GroupTable, count_groups

__all__ = [
    "COUNTS",
    "Batch",
    "Gatherer",
    "Group",
    "GroupCounts",
    "GroupTable",
    "compile_pattern",
    "count_groups",
    "find",
]
