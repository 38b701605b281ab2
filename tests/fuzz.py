"""Random structures, tables, command lines and slips in arguments: every one must be answered or refused in words.

    python tests/fuzz.py --count 100000 --seed 0

gives `estimate_many` that many texts that are, or nearly are, or are not SMILES; the readers of tables a twentieth as
many files and DataFrames, the command line a hundredth as many lines, and the public functions a tenth as many calls
with one argument that somebody may have given by mistake. It prints how many ended how, and every violation with what
reproduces it; the exit code is 1 when there was one, and when something hangs.
"""

from __future__ import annotations

import argparse
import contextlib
import faulthandler
import io
import os
import random
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import arguments
import numpy as np
import pandas as pd
from rdkit import Chem, rdBase

import hspkit
from hspkit import data, law
from hspkit.__main__ import main as command_line
from hspkit.errors import ExtrapolationWarning, HspkitError

#: Tables, command lines and calls with a slip for each structure asked for.
TABLES, LINES, SLIPS = 1 / 20, 1 / 100, 1 / 10
#: Of calls that take more than 10 ms, for each that does not.
SLOW = 0.1
#: Structures that go to `estimate_many` at once.
BATCH = 2000
#: What counts as a hang [s]: a thousand times the usual time of a batch, a table or a line would be more.
HANG = 300
#: Shown of what is random in a message.
SHOWN = 300

SHIPPED = [row["smiles"] for row in data.read_table("substances.csv").rows]
NAMES = [row["name"] for row in data.read_table("substances.csv").rows]
OILS = list(hspkit.oils()["oil"])
CARRIERS = list(hspkit.carriers()["carrier"])

Random = random.Random


class Tally:
    """Outcomes counted, violations kept."""

    def __init__(self) -> None:
        self.counts: Counter[tuple[str, str]] = Counter()
        self.violations: list[str] = []
        self.slowest: dict[str, float] = {}

    def add(self, kind: str, outcome: str, number: int = 1) -> None:
        self.counts[kind, outcome] += number

    def violation(self, kind: str, what: str, given: Any) -> None:
        self.add(kind, "VIOLATION")
        self.violations.append(f"{kind}: {what}; given {repr(given)[:SHOWN]}")

    @contextlib.contextmanager
    def watched(self, kind: str, given: Any) -> Iterator[None]:
        """Stop the process when this hangs, note how long it took, and turn what escapes into a violation."""
        faulthandler.dump_traceback_later(HANG, exit=True, file=sys.__stderr__)
        start = time.perf_counter()
        try:
            yield
        except Exception as error:
            place = traceback.extract_tb(error.__traceback__)[-1]
            self.violation(kind, f"{type(error).__name__} at {place.filename}:{place.lineno}: {error}"[:600], given)
        finally:
            faulthandler.cancel_dump_traceback_later()
            self.slowest[kind] = max(self.slowest.get(kind, 0.0), time.perf_counter() - start)

    def text(self) -> str:
        """Return the counts as a table in Markdown."""
        lines = ["| what | outcome | count |", "|:--|:--|--:|"]
        lines += [f"| {kind} | {outcome} | {count:,} |" for (kind, outcome), count in sorted(self.counts.items())]
        return "\n".join(lines)


# --- structures ---

_ALPHABET = list("CNOSPFIcnos()[]=#123456%-+/\\@.*H") + ["Cl", "Br", "[nH]", "[C@H]", "[O-]", "[N+]", "c1ccccc1", "Si"]
_ATOMS = ("C", "O", "N", "S", "C(F)", "C(Cl)", "C(Br)", "[SiH2]", "C(=O)", "C(=O)O", "C(C#N)", "C([N+](=O)[O-])",
          "C(O)", "C(c1ccccc1)", "S(=O)(=O)", "P(=O)(O)O", "I", "C=O")  # fmt: skip


def _characters(rng: Random) -> str:
    return "".join(rng.choices(_ALPHABET, k=rng.randint(1, 40)))


def _grammar(rng: Random, depth: int = 0) -> str:
    """Return a chain with branches, rings and bonds of all orders; most are molecules."""
    if depth == 0 and rng.random() < 0.7:  # of a few, the first that the parser takes
        return _possible(lambda: _grammar(rng, -1))
    depth = max(depth, 0)
    ring = depth == 0 and rng.random() < 0.4
    parts = []
    for place in range(rng.randint(3, 12) if depth == 0 else rng.randint(1, 5)):
        atom = rng.choice(_ATOMS) if rng.random() < 0.5 else "C"
        parts.append(rng.choice(("", "", "", "", "", "", "", "=", "#")) * (place > 0) + atom)
        if ring and place == 0:
            parts.append("9")
        if depth < 3 and rng.random() < 0.2:
            parts.append(f"({_grammar(rng, depth + 1)})")
    return "".join(parts) + ("9" if ring else "")


def _possible(make: Callable[[], str]) -> str:
    """Return the first of a few that the parser takes, or the last."""
    text = ""
    with rdBase.BlockLogs():
        for _ in range(6):
            text = make()
            if "." not in text and Chem.MolFromSmiles(text) is not None:
                break
    return text


def _slips(rng: Random) -> str:
    """Return the SMILES of a shipped substance after one to four slips of the keyboard."""
    text = rng.choice(SHIPPED)
    for _ in range(rng.randint(1, 4)):
        place, other = rng.randint(0, len(text)), rng.randint(0, len(text))
        low, high = sorted((place, other))
        text = rng.choice(
            (
                text[:place] + text[place + 1 :],
                text[:place] + rng.choice(_ALPHABET) + text[place:],
                text[:place] + rng.choice(_ALPHABET) + text[place + 1 :],
                text[:low] + text[low:high] * 2 + text[high:],
                text[:low] + text[low:high][::-1] + text[high:],
                text[:place] + rng.choice(SHIPPED)[: rng.randint(1, 12)] + text[place:],
            )
        )
    return text


def _edited(rng: Random) -> str:
    """Return a shipped molecule after one to six edits of its graph: most are possible, few were ever made."""
    molecule = Chem.RWMol(Chem.MolFromSmiles(rng.choice(SHIPPED)))
    Chem.Kekulize(molecule, clearAromaticFlags=True)
    for _ in range(rng.randint(1, 6)):
        atoms = molecule.GetNumAtoms()
        one, two = rng.randrange(atoms), rng.randrange(atoms)
        step = rng.randrange(4)
        if step == 0:
            added = molecule.AddAtom(Chem.Atom(rng.choice((6, 6, 6, 7, 8, 8, 16, 9, 17, 35, 14, 15))))
            molecule.AddBond(one, added, Chem.BondType.SINGLE)
        elif step == 1 and one != two and molecule.GetBondBetweenAtoms(one, two) is None:
            molecule.AddBond(one, two, rng.choice((Chem.BondType.SINGLE, Chem.BondType.DOUBLE)))
        elif step == 2 and atoms > 3:
            molecule.RemoveAtom(one)
        elif molecule.GetNumBonds():
            bond = molecule.GetBondWithIdx(rng.randrange(molecule.GetNumBonds()))
            bond.SetBondType(rng.choice((Chem.BondType.SINGLE, Chem.BondType.DOUBLE, Chem.BondType.TRIPLE)))
    with rdBase.BlockLogs():
        for atom in molecule.GetAtoms():
            atom.SetNoImplicit(False)
            atom.SetNumExplicitHs(0)
            atom.SetFormalCharge(0)
        try:
            return str(Chem.MolToSmiles(molecule))
        except RuntimeError:  # RDKit before 2024 cannot write some of these graphs; its notation of atoms still serves
            return ".".join(atom.GetSymbol() if atom.GetSymbol() != "Si" else "[Si]" for atom in molecule.GetAtoms())


_CELLS: tuple[Any, ...] = (
    None, float("nan"), float("inf"), 7, -1.5, True, b"CCO", (), [], {"a": 1}, pd.NA, pd.NaT, np.float64("nan"),
    np.zeros(3), "", " ", "\t", "\n", "CCO ", " CCO\n", "CCO ethanol", "57-55-6", "limonene", "β-pinene", "CCO\0CC",
    "\ud800", "C\ud800", "é", "漢字", "C" * 199, "C" * 201, "C" * 5000, "(" * 900, "C(" * 900 + "C" + ")" * 900,
    "[" * 500, "C1" * 400, "%99" * 200, "C%(100)CC%(100)", "[13CH4]", "[2H]O[2H]", "[Na+].[Cl-]", "*CC*", "[CH3]",
    "[Fe]", "[999C]", "[C+999]", "[C-]#[O+]", "NCC(=O)[O-]", "=1+1", "N#N", "[H][H]", "C.C", "CC>>CC", "$$$$",
    "InChI=1S/CH4/h1H4", "C12C3C4C1C5C2C3C45", "c1ccc2c(c1)" * 30, "C1CC1" * 60,
)  # fmt: skip

STRUCTURES: dict[str, Callable[[Random], Any]] = {
    "random characters": _characters,
    "grammar of SMILES": _grammar,
    "typing slips": _slips,
    "edited molecules": lambda rng: _possible(lambda: _edited(rng)) if rng.random() < 0.7 else _edited(rng),
    "other cells": lambda rng: rng.choice(_CELLS),
}
_WEIGHTS = (20, 25, 25, 28, 2)


def structures(count: int, rng: Random, tally: Tally) -> None:
    """Give random structures to `estimate_many`, and check every row of the answer."""
    kinds = list(STRUCTURES)
    while count > 0:
        chosen = rng.choices(kinds, _WEIGHTS, k=min(BATCH, count))
        given = [STRUCTURES[kind](rng) for kind in chosen]
        labels = [rng.choice((row, f"row {row}", -1)) for row in range(len(given))]  # mixed, and many alike
        method = "van-krevelen" if rng.random() < 0.25 else "calibrated"
        with tally.watched("structures, a batch", given[:1]):
            found = hspkit.estimate_many(pd.Series(given, index=labels, dtype=object), method=method)
            _check_frame(found, given, labels, chosen, tally)
            row = rng.randrange(len(given))
            alone = hspkit.estimate_many([given[row]], method=method).iloc[0]
            if alone["status"] != found["status"].iloc[row] or not np.allclose(
                alone[_NUMBERS].to_numpy(float), found[_NUMBERS].iloc[row].to_numpy(float), equal_nan=True
            ):
                tally.violation("structures, a batch", "a row alone is answered differently", given[row])
        count -= len(given)


_NUMBERS = ["delta_d", "delta_p", "delta_h", "volume", "sd_d", "sd_p", "sd_h", "sd_volume"]


def _check_frame(found: pd.DataFrame, given: list[Any], labels: list[Any], kinds: list[str], tally: Tally) -> None:
    if list(found.index) != labels:
        tally.violation("structures, a batch", "the index changed", labels[:5])
    if len(found) != len(given) or any(a is not b for a, b in zip(found["smiles"], given, strict=True)):
        tally.violation("structures, a batch", "rows are lost or changed", given[:5])
    numbers = found[_NUMBERS].to_numpy(float)
    empty, whole = np.isnan(numbers).all(axis=1), np.isfinite(numbers).all(axis=1)
    likely = whole & (numbers[:, :3] >= 0).all(axis=1) & (numbers[:, 3:] > 0).all(axis=1)
    for row, (kind, status, note) in enumerate(zip(kinds, found["status"], found["note"], strict=True)):
        if not (empty[row] if status == "failed" else likely[row]):
            tally.violation(kind, f"{status}, and the numbers are {numbers[row]}", given[row])
        elif status not in ("ok", "extrapolated", "failed"):
            tally.violation(kind, f"status {status!r}", given[row])
        elif status != "ok" and not note:
            tally.violation(kind, f"{status} without a note", given[row])
        else:
            tally.add(kind, status)


# --- tables ---

_HEADINGS = (
    "component", "Compound", "name", "CAS", "cas no.", "percent", "Area %", "%", "area", "smiles", "density_g_mL",
    "volume_cm3_mol", "cas", "synonyms", "note", "delta_d", "delta_p", "delta_h", "log_p", "carrier", "outcome", "",
    "oil_parts", "Carrier or blend", "date", "celsius", "water_parts", "result", "RT [min]", " ", "Name", "é", "=A1",
)  # fmt: skip
_JUNK = (
    "", " ", "-", "tr", "n.d.", "<0.1", "nan", "inf", "-inf", "1e400", "-3", "0", "0,5", "1.234,5", "12 %", "1_000",
    "٣", "=1+1", "+SUM(A1)", "-2+3", "@x", "\t=1", '"', "'", '""', "a\nb", "a\rb", "é", "\ud7ff", "\0", "\x85", "<>",
    "\u2028", "漢字", "x" * 300, "clear", "hazy", "splits", "good", "2026-11-25", "25.11.2026", "03/04/2026", "yes",
    "0000-00-00", "60 % triacetin + 40 % MCT by volume", "60 % triacetin + 30 % MCT by volume", "% + % by mass", "no",
    "CCO", "C1CC", "[Na+]", "57-55-6", "57-55-7", "peak 12", "Pinene <alpha->", "100", "99.9", "0.001", "total",
)  # fmt: skip


def _cell(rng: Random) -> str:
    kind = rng.random()
    if kind < 0.3:
        return rng.choice(NAMES)
    if kind < 0.6:
        return f"{rng.uniform(0, 30):.{rng.randint(0, 4)}f}"
    return rng.choice((*_JUNK, *CARRIERS[:8], rng.choice(SHIPPED)))


def _sound_table(rng: Random, reader: str) -> list[list[str]]:
    """Return a table that the reader should take, to be spoilt or not."""
    names = rng.sample(NAMES, rng.randint(1, 8))
    if reader.startswith("Oil"):
        shares = [f"{rng.uniform(0, 12):.2f}" for _ in names]
        return [["component", "RT", "percent"], *([n, "5.1", s] for n, s in zip(names, shares, strict=True))]
    if reader.startswith("Substance"):
        rows = [[f"mine {i}", rng.choice(SHIPPED), f"{rng.uniform(0.7, 1.3):.3f}"] for i in range(len(names))]
        return [["name", "smiles", "density_g_mL"], *rows]
    outcomes = ("clear", "hazy", "splits")
    rows = [[rng.choice(CARRIERS[:8]), rng.choice(outcomes), str(rng.randint(1, 9)), rng.choice(_JUNK)] for _ in names]
    return [["carrier", "outcome", "carrier_parts", "note"], *rows]


def _table(rng: Random, reader: str) -> list[list[str]]:
    if rng.random() < 0.7:
        table = _sound_table(rng, reader)
        for _ in range(rng.choice((0, 0, 1, 1, 3))):
            row = rng.randrange(len(table))
            table[row][rng.randrange(len(table[row]))] = rng.choice((_cell(rng), rng.choice(_HEADINGS)))
            if rng.random() < 0.2:
                table[row].append(_cell(rng))
        return table
    header = rng.choices(_HEADINGS, k=rng.randint(0, 7))
    return [header, *([_cell(rng) for _ in range(rng.choice((len(header), rng.randint(0, 8))))] for _ in range(4))]


def _shipped_rows(name: str, rng: Random) -> list[list[str]]:
    """Return the header and a few rows of a shipped table, as text."""
    heads = [column.column for column in data.columns(name)]
    rows = data.read_table(name).rows

    def text(value: Any) -> str:
        return "" if value is None else {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)

    return [heads, *([text(row[head]) for head in heads] for row in rng.sample(rows, min(len(rows), 4)))]


def _bytes(table: list[list[str]], rng: Random, marks: str = ",,;\t") -> bytes:
    """Return a table as somebody's spreadsheet might have written it, sometimes damaged on the way."""
    mark, end = rng.choice(marks), rng.choice(("\n", "\r\n", "\r"))
    quoted = rng.random() < 0.7

    def written(cell: str) -> str:
        doubled = cell.replace('"', '""')
        return f'"{doubled}"' if quoted and any(c in cell for c in '"\r\n,;\t') else cell

    text = end.join(mark.join(map(written, row)) for row in table) + rng.choice(("", end))
    encoding = rng.choice(("utf-8", "utf-8", "utf-8-sig", "cp1252", "latin-1", "utf-16"))
    raw = bytearray(text.encode(encoding, "replace"))
    if rng.random() < 0.3 and raw:
        for _ in range(rng.randint(1, 6)):
            place = rng.randrange(len(raw))
            raw[place : place + rng.randint(0, 3)] = bytes(rng.choices(range(256), k=rng.randint(0, 3)))
            if not raw:
                break
    return bytes(raw)


def _frame(table: list[list[str]], rng: Random) -> pd.DataFrame:
    width = max(len(row) for row in table)
    rows = [[*row, *[None] * (width - len(row))] for row in table]
    frame = pd.DataFrame(rows[1:], columns=rows[0], index=rng.choices(range(9), k=len(rows) - 1))
    for place in range(width):
        if rng.random() < 0.1:
            values = [rng.choice((None, 1, 2.5, float("nan"), "x", True, pd.NA, b"x", (1,))) for _ in range(len(frame))]
            frame.isetitem(place, pd.Series(values, index=frame.index, dtype=object))
    return frame


def _read_oil(found: hspkit.Oil) -> None:
    assert abs(found.fractions.sum() - 1) < 1e-9
    assert found.covered_percent <= 100.5
    assert np.isfinite(found.component_hsp).all()


def _read_log(path: Path, rng: Random) -> None:
    log = hspkit.TrialLog(path)
    before, raw, unread = log.read(missing="skip"), path.read_bytes(), len(log.problems)
    new = hspkit.Trial("MCT", "hazy", note=rng.choice([text for text in _JUNK if "\0" not in text]))
    log.append(new)
    assert path.read_bytes().startswith(raw), "the bytes that were there changed"
    after = log.read(missing="skip")
    assert after[: len(before)] == before, "old trials read differently after an append"
    assert len(after) + len(log.problems) == len(before) + unread + 1, "the new trial is not one row"


def tables(count: int, rng: Random, tally: Tally, folder: Path) -> None:
    """Give random tables to every reader; only errors of the library, with a message, may come out."""
    file = folder / "table.csv"
    layouts = data.tables()

    def layout(table: list[list[str]]) -> Any:
        name = rng.choice(layouts)
        if rng.random() < 0.8:
            table = _shipped_rows(name, rng)
            if rng.random() < 0.6:
                row = rng.choice(table)
                row[rng.randrange(len(row))] = _cell(rng)
        return data.parse_table(_bytes(table, rng, ",").decode("utf-8", "replace"), name)

    readers: dict[str, Callable[[list[list[str]]], Any]] = {
        "Oil.from_csv": lambda _: _read_oil(hspkit.Oil.from_csv(file)),
        "Oil.from_table": lambda table: _read_oil(hspkit.Oil.from_table(_frame(table, rng))),
        "Substance.from_csv": lambda _: hspkit.Substance.from_csv(file),
        "Substance.from_table": lambda table: hspkit.Substance.from_table(_frame(table, rng)),
        "TrialLog": lambda _: _read_log(file, rng),
        "data.parse_table": layout,
    }
    for _ in range(count):
        kind = rng.choice(list(readers))
        table = _table(rng, kind)
        file.write_bytes(_bytes(table, rng))
        with tally.watched(kind, (table, file.read_bytes())):
            try:
                readers[kind](table)
                tally.add(kind, "read")
            except HspkitError as error:
                if str(error).strip():
                    tally.add(kind, "refused")
                else:
                    tally.violation(kind, f"{type(error).__name__} without a message", table)


# --- command lines ---

_TEXTS = (
    "", " ", "-", "--", "nan", "inf", "-1", "0", "1e-9", "1e400", "7", "0.5", "1,5", "é", "\ud800", "x" * 5000, "=1+1",
    "$", "a$b$c", "\\frac", "%s", "{}", "\x1b[31m", "\n", "-x", "--csv", "@file", "ethanol 40 % vol", "vodka", "water",
    "DEG", "99999999999999999999",
)  # fmt: skip
_LIQUIDS = (
    "70 % triacetin + 30 % MCT by volume", "70 % triacetin + 30 % MCT", "50 % water + 50 % glycerol by mass", "%", "+",
    "0 % triacetin + 100 % MCT by mass", "ethanol 70 % vol", "50 % x + 50 % y by volume", "1 % MCT + 99 % MCT by mass",
)  # fmt: skip
_FILES = (
    "page.html",
    "plot.png",
    "plot.svg",
    "page.xyz",
    "no/such/page.html",
    ".",
    "",
    "a" * 300 + ".html",
    "report.csv",
)


class _Line:
    """Makes up the words of one command line, most of them sensible."""

    def __init__(self, rng: Random) -> None:
        self.rng = rng

    def _or_junk(self, *sensible: str) -> str:
        return self.rng.choice(_TEXTS) if self.rng.random() < 0.05 else self.rng.choice(sensible)

    def oil(self) -> str:
        return self._or_junk(*OILS, "report.csv", "nowhere.csv", "limonene", "CCO", "clove")

    def carrier(self) -> str:
        return self._or_junk(*CARRIERS, *(_LIQUIDS if self.rng.random() < 0.2 else _LIQUIDS[:1]))

    def number(self) -> str:
        return self._or_junk("1", "2", "5", "10", "0.5", "40", "95", "100", "1000")

    def product(self) -> list[str]:
        words = ["--market", self._or_junk(*law.markets()), "--category", self._or_junk(*law.categories())]
        words += [self.rng.choice(("--oil-mg-per-l", "--stock-mg-per-l")), self.number()]
        return words if self.rng.random() < 0.9 else self.rng.sample(words, 3)

    def some(self, chance: float, *words: str) -> list[str]:
        return list(words) if self.rng.random() < chance else []

    def form(self) -> list[str]:
        return self.rng.choice(([], [], ["--csv"], ["--json"]))

    def words(self) -> list[str]:
        rng, some = self.rng, self.some
        verb = rng.choice(("rank", "dissolve", "dose", "batch", "blend", "estimate", "handling", "dilute", "data"))
        words = [verb]
        ratio = [*some(0.3, "--oil-parts", self.number()), *some(0.3, "--carrier-parts", self.number())]
        ratio += some(0.3, "--celsius", self.number())
        if verb == "estimate":
            words += [str(STRUCTURES[rng.choice(list(STRUCTURES))](rng)) for _ in range(rng.randint(0, 3))]
            words += [*some(0.2, "--method", self._or_junk("van-krevelen")), *some(0.1, "--jobs", self._or_junk("1"))]
            words += [*some(0.3, "--file", self._or_junk(*_FILES)), *self.form()]
        elif verb == "dilute":
            words += [self.number(), self.number(), *some(0.3, "--volume", self.number())]
        elif verb == "data":
            words += some(0.9, self._or_junk("oils", "carriers", "markets", "categories", *data.tables()[:4]))
        elif verb == "handling":
            words += [self.oil(), "--oil-mg-per-l", self.number(), *some(0.3, "--folds", self.number())]
            words += [*some(0.3, "--terpenes-removed", self.number()), *some(0.3, "--carrier", self.carrier())]
            words += [*ratio, *self.form()]
        else:
            words += [self.oil(), *some(0.2, "--fold", self.number()), *some(0.2, "--without-terpenes", self.number())]
            words += [] if verb in ("rank", "blend") else [self.carrier()]
            many = rng.random() < 0.97  # a ranking of all carriers takes longer than everything else together
            words += (
                ["--carrier", self.carrier(), "--carrier", self.carrier()] if verb in ("rank", "blend") and many else []
            )
            words += [*ratio, *(self.product() if rng.random() < (0.9 if verb == "dose" else 0.4) else [])]
            words += some(0.1, *(["--price", f"{self.carrier()}={self.number()}"]))
            words += [*some(0.05, "--html", self._or_junk(*_FILES)), *some(0.03, "--figure", self._or_junk(*_FILES))]
            if verb == "blend":
                words += [*some(0.2, "--max-viscosity", self.number()), *some(0.2, "--increments", self.number())]
                words += [*some(0.2, "--objective", self._or_junk("clear", "cost", "distance", "water tolerance"))]
                words += [*some(0.1, "--also", self.oil()), *some(0.1, "--max-share", f"MCT={self.number()}")]
                words += [*some(0.1, "--worst-case", self.number()), *some(0.2, "--keep", self.number())]
            elif verb == "batch":
                words += [*some(0.3, "--batch", self._or_junk("2 L", "500 g", "1.5 kg", "0 L")), *self.form()]
                words += [*some(0.1, "--title", self._or_junk("mine")), *some(0.1, "--currency", self._or_junk("EUR"))]
            else:
                words += self.form()
        while rng.random() < 0.1:  # a word too many, too few, or elsewhere
            place = rng.randrange(len(words) + 1)
            words[place : place + rng.randint(0, 1)] = rng.choice(([], [rng.choice(_TEXTS)], rng.sample(words, 1)))
            words = words or ["rank"]
        return words


def _run(words: list[str], given: str) -> tuple[Any, str, str]:
    """Run one command line in this process, with streams that encode as those of a terminal do."""
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", errors=how) for how in ("strict", "backslashreplace"))
    before = sys.stdin
    sys.stdin = io.StringIO(given)
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                code: Any = command_line(words)
            except SystemExit as stop:
                code = stop.code
            out.flush()
            err.flush()
    finally:
        sys.stdin = before
        if "matplotlib.pyplot" in sys.modules:
            sys.modules["matplotlib.pyplot"].close("all")
    return code, *(stream.buffer.getvalue().decode("utf-8", "replace") for stream in (out, err))  # type: ignore[attr-defined]


def lines(count: int, rng: Random, tally: Tally, folder: Path) -> None:
    """Give random command lines to the command line, in this process and in an empty folder."""
    (folder / "report.csv").write_text("component,percent\nlimonene,94.3\nmyrcene,1.9\npeak 7,0.2\n", encoding="utf-8")
    back = Path.cwd()
    os.chdir(folder)
    try:
        for _ in range(count):
            words = _Line(rng).words()
            kind = f"line: {words[0]}" if words[0] in _VERBS else "line: no verb"
            with tally.watched(kind, words):
                code, out, err = _run(words, rng.choice(("", "CCO\nC1CC\n", "smiles\nCCO\n", "\0", "a;smiles\n1;CC\n")))
                if code not in (0, 1, 2):
                    tally.violation(kind, f"exit code {code!r}", words)
                elif "Traceback" in err + out:
                    tally.violation(kind, "a traceback", words)
                elif code and not err.startswith("hspkit: "):
                    tally.violation(kind, f"exit code {code} and {err[:100]!r} on standard error", words)
                elif not code and not out.strip():
                    tally.violation(kind, "nothing printed", words)
                else:
                    tally.add(kind, "answered" if code == 0 else f"refused, code {code}")
    finally:
        os.chdir(back)


_VERBS = ("rank", "dissolve", "dose", "batch", "blend", "estimate", "handling", "dilute", "data")


# --- arguments ---


def slips(count: int, rng: Random, tally: Tally, folder: Path) -> None:
    """Call public functions with one argument replaced by a slip, in a folder of their own."""
    arguments.write_files(folder)
    back = Path.cwd()
    os.chdir(folder)
    try:
        known = arguments.calls()
        names, weights = list(known), [SLOW if call.slow else 1.0 for call in known.values()]
        for name in rng.choices(names, weights, k=count):
            argument, slip = rng.choice(list(known[name].given)), rng.choice(arguments.slips())
            with tally.watched("arguments", (name, argument, slip)):
                tally.add("arguments", arguments.attempt(known[name], argument, slip))
            if "matplotlib.pyplot" in sys.modules:
                sys.modules["matplotlib.pyplot"].close("all")
    finally:
        os.chdir(back)


def fuzz(count: int, seed: int) -> Tally:
    """Return the tally of one run.

    Parameters
    ----------
    count : int
        Structures; tables, lines and calls in proportion (`TABLES`, `LINES`, `SLIPS`), at least ten each. [-]
    seed : int
        Of the random numbers: the same seed gives the same run. [-]
    """
    tally = Tally()
    rng = Random(seed)
    with warnings.catch_warnings(), tempfile.TemporaryDirectory() as folder:
        warnings.simplefilter("error")  # no warning but the library's own may come out either
        warnings.simplefilter("ignore", ExtrapolationWarning)
        structures(count, Random(rng.random()), tally)
        tables(max(10, round(count * TABLES)), Random(rng.random()), tally, Path(folder))
        lines(max(10, round(count * LINES)), Random(rng.random()), tally, Path(folder))
        slips(max(10, round(count * SLIPS)), Random(rng.random()), tally, Path(folder))
    return tally


def main(arguments: list[str] | None = None) -> int:
    """Run, print, and return the exit code."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=100_000, help="structures (default 100000)")
    parser.add_argument("--seed", type=int, default=0, help="of the random numbers (default 0)")
    options = parser.parse_args(arguments)
    faulthandler.enable(sys.__stderr__)
    start = time.perf_counter()
    tally = fuzz(options.count, options.seed)
    print(tally.text())
    slow = ", ".join(
        f"{kind} {seconds:.1f} s" for kind, seconds in sorted(tally.slowest.items(), key=lambda p: -p[1])[:4]
    )
    total = sum(tally.counts.values())
    print(f"\n{total:,} in {time.perf_counter() - start:.0f} s, seed {options.seed}; slowest: {slow}")
    print(f"{len(tally.violations)} violations")
    for one in {one.partition("; given ")[0]: one for one in tally.violations}.values():  # one of each sort
        print("-", one.encode("ascii", "backslashreplace").decode())
    return 1 if tally.violations else 0


if __name__ == "__main__":
    os.environ.setdefault("MPLBACKEND", "Agg")
    raise SystemExit(main())
