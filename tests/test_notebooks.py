"""The notebooks: structure in every run; execution from a fresh kernel where `-m slow` and nbclient are at hand."""

from __future__ import annotations

import ast
import json
import os
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
#: Longest time that a notebook may take on a machine of its own. [s]
SECONDS = 60
each = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)


def cells(path: Path, kind: str) -> list[dict]:
    return [cell for cell in json.loads(path.read_text(encoding="utf-8"))["cells"] if cell["cell_type"] == kind]


def code(path: Path) -> str:
    return "\n".join("".join(cell["source"]) for cell in cells(path, "code"))


def test_there_are_five_stories() -> None:
    assert [path.stem[:2] for path in NOTEBOOKS] == ["1_", "2_", "3_", "4_", "5_"]


@each
def test_it_says_what_is_invented(path: Path) -> None:
    assert "invented" in "".join(cells(path, "markdown")[0]["source"])


@each
def test_it_ends_with_what_to_do_at_the_bench(path: Path) -> None:
    headings = [
        line for cell in cells(path, "markdown") for line in "".join(cell["source"]).splitlines() if line[:3] == "## "
    ]
    assert headings[-1] == "## At the bench"


@each
def test_it_defines_no_functions(path: Path) -> None:
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.Lambda)
    defined = [node for node in ast.walk(ast.parse(code(path))) if isinstance(node, kinds)]
    assert not defined, f"line {defined[0].lineno}: move it into the library, a story has none"


@each
def test_it_uses_the_public_names_only(path: Path) -> None:
    private = [
        node.attr for node in ast.walk(ast.parse(code(path))) if isinstance(node, ast.Attribute) and node.attr[0] == "_"
    ]
    assert not private


@each
def test_it_is_stored_with_its_outputs_in_order(path: Path) -> None:
    stored = cells(path, "code")
    assert [cell["execution_count"] for cell in stored] == list(range(1, len(stored) + 1))
    assert any("image/png" in out.get("data", {}) for cell in stored for out in cell["outputs"])
    streams = [(out["output_type"], out.get("name")) for cell in stored for out in cell["outputs"]]
    assert ("error", None) not in streams
    assert ("stream", "stderr") not in streams, "a warning is stored; the story should not raise any"


@pytest.mark.slow
@each
def test_it_runs_from_a_fresh_kernel(path: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    nbformat = pytest.importorskip("nbformat")
    nbclient = pytest.importorskip("nbclient")
    pytest.importorskip("ipykernel")
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep))
    book = nbformat.read(path, 4)
    client = nbclient.NotebookClient(
        book, timeout=10 * SECONDS, kernel_name="python3", resources={"metadata": {"path": str(tmp_path)}}
    )
    start = time.perf_counter()
    client.execute()
    taken = time.perf_counter() - start
    # A loaded machine may take longer; that is worth knowing and no defect of the notebook.
    print(f"{path.stem}: {taken:.0f} s")
    assert taken < SECONDS * max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1))
    assert len(book.cells) == len(json.loads(path.read_text(encoding="utf-8"))["cells"])
