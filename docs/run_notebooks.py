"""Run the notebooks from fresh kernels and store them with their outputs: python docs/run_notebooks.py [PATH ...]."""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path

import nbformat
from nbclient import NotebookClient

ROOT = Path(__file__).resolve().parent.parent


def main(paths: list[Path]) -> None:
    """Run each notebook in an empty folder; a notebook that fails is left as it was."""
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH")]))
    os.environ.pop("MPLBACKEND", None)  # figures stand in the notebook, whatever the shell asks for
    for path in paths:
        book = nbformat.read(path, 4)
        start = time.perf_counter()
        with tempfile.TemporaryDirectory() as folder:
            NotebookClient(book, kernel_name="python3", timeout=600, resources={"metadata": {"path": folder}}).execute()
        for cell in book.cells:
            cell.metadata.pop("execution", None)  # times of the day would differ in every run
        book.metadata["language_info"] = {"name": "python"}
        nbformat.write(book, path)
        print(f"{path.name}: {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main([Path(name) for name in sys.argv[1:]] or sorted((ROOT / "notebooks").glob("*.ipynb")))
