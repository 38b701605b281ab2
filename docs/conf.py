"""Sphinx configuration: Markdown pages, the API from docstrings, figures from the gallery scripts."""

from __future__ import annotations

import base64
import importlib
import json
import os
import pkgutil
import re
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

import hspkit  # noqa: E402

project = "hspkit"
copyright = "the hspkit authors"
version = release = hspkit.__version__

extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon", "sphinx.ext.mathjax"]
myst_enable_extensions = ["dollarmath", "colon_fence", "deflist"]
myst_heading_anchors = 3
source_suffix = {".md": "markdown", ".rst": "restructuredtext"}
exclude_patterns = ["_build", "gallery/*.md"]
html_theme = "furo"
html_title = f"hspkit {version}"
nitpicky = False
suppress_warnings = ["config.cache"]

autodoc_member_order = "bysource"
autodoc_typehints = "none"
napoleon_google_docstring = False
napoleon_use_rtype = False
napoleon_use_ivar = False
# A class lists its fields under "Parameters"; the bare attributes would repeat them without a word.
autodoc_default_options = {"members": True, "undoc-members": False, "show-inheritance": False}

#: How the names of pages begin that commands write.
WRITTEN = ("accuracy-", "learning", "performance")

#: Names with a trailing underscore (what `fit` has learnt) and single backticks are code; `|x|` is a modulus.
_UNDERSCORED = re.compile(r"(?<![\w`*])((?:[A-Za-z]\w*)_)(?![\w`])")
_TICKED = re.compile(r"(?<![`\w:])`([^`\n]+)`(?!`)(?!_)")


def _plain_text(app, what, name, obj, options, lines):
    """Let docstrings stay readable as plain text: mark up here what reStructuredText would misread."""
    literal = False
    for row, line in enumerate(lines):
        if literal and line and not line.startswith(" "):
            literal = False
        if literal or line.lstrip().startswith((">>>", "...", ".. ")):
            continue
        marked = _TICKED.sub(r"``\1``", _UNDERSCORED.sub(r"``\1``", line))
        lines[row] = "".join(
            part if part.startswith("``") else part.replace("|", r"\|") for part in re.split(r"(``.+?``)", marked)
        )
        literal = line.rstrip().endswith("::")


def _skip_fields(app, what, name, obj, skip, options):
    """Leave out the fields of named tuples, which stand in the text of their class."""
    return True if str(getattr(obj, "__doc__", "")).startswith("Alias for field number") else None


def _write_reference() -> None:
    """Write one page a module to docs/api/, and the list of public names."""
    folder = HERE / "api"
    folder.mkdir(exist_ok=True)
    for old in folder.glob("*.md"):
        old.unlink()
    found = sorted(info.name for info in pkgutil.iter_modules(hspkit.__path__) if not info.name.startswith("_"))
    for name in found:
        module = importlib.import_module(f"hspkit.{name}")
        members = ", ".join(getattr(module, "__all__", ()))
        text = f"# {name}\n\n```{{eval-rst}}\n.. automodule:: hspkit.{name}\n   :members: {members}\n```\n"
        (folder / f"{name}.md").write_text(text, encoding="utf-8")
    rows = "\n".join(f"| `hspkit.{name}` | [{home}](#{home}) |" for name, home in sorted(hspkit._HOME.items()))
    rows = re.sub(r"\(#(\w+)(?:\.\w+)*\)", r"(\1.md)", rows)
    index = (
        "# Reference\n\nMade from the docstrings. Every name below is imported with `import hspkit`; each module has a "
        "page of its own.\n\n| name | module |\n|---|---|\n" + rows + "\n\n```{toctree}\n:maxdepth: 1\n\n"
    )
    (folder / "index.md").write_text(index + "\n".join(found) + "\n```\n", encoding="utf-8")


def _write_list_of_accuracy() -> None:
    """List the pages that commands write: they come and go, and a pattern that matches nothing is a warning."""
    (HERE / "api").mkdir(exist_ok=True)
    found = sorted(path.stem for start in WRITTEN for path in HERE.glob(f"{start}*.md"))
    text = "```{toctree}\n:maxdepth: 1\n\n" + "".join(f"/{name}\n" for name in found) + "```\n"
    (HERE / "api" / "_accuracy.txt").write_text(text if found else "No page was written yet.\n", encoding="utf-8")


def _write_gallery() -> None:
    """Run each script of docs/gallery and write a page of what it draws, with its code."""
    folder = HERE / "gallery"
    pages = HERE / "drawn"
    pages.mkdir(exist_ok=True)
    parts = ["# Gallery\n", "Each figure is drawn by the script below it when these pages are built.\n"]
    for script in sorted(folder.glob("[!_]*.py")):
        code = script.read_text(encoding="utf-8")
        for old in pages.glob(f"{script.stem}-*.png"):
            old.unlink()
        environment = {**os.environ, "MPLBACKEND": "Agg", "PYTHONPATH": str(HERE.parent)}
        runner = [sys.executable, str(HERE / "run_figure.py"), str(script), str(pages)]
        done = subprocess.run(runner, env=environment, capture_output=True, text=True, check=False)
        if done.returncode:
            message = f"docs/gallery/{script.name} failed:\n{done.stderr}"
            raise RuntimeError(message)
        parts.append(f"## {script.stem.replace('_', ' ')}\n")
        parts.extend(f"![{image.stem}](drawn/{image.name})\n" for image in sorted(pages.glob(f"{script.stem}-*.png")))
        parts.append(f"```python\n{code}```\n")
    if len(parts) == 2:
        parts.append("No scripts yet.\n")
    (HERE / "gallery.md").write_text("\n".join(parts), encoding="utf-8")


def _cell(cell: dict, stem: str, number: int) -> list[str]:
    """Return a cell of a notebook with its stored outputs as Markdown."""
    source = "".join(cell["source"])
    if cell["cell_type"] == "markdown":
        return [source]
    parts = [f"```python\n{source}\n```"]
    for output in cell.get("outputs", []):
        data = output.get("data", {})
        if "image/png" in data:
            image = HERE / "drawn" / f"{stem}-{number}.png"
            image.write_bytes(base64.b64decode("".join(data["image/png"])))
            parts.append(f"![figure](../drawn/{image.name})")
        elif "text/html" in data:
            parts.append('````{raw} html\n<div class="output">' + "".join(data["text/html"]) + "</div>\n````")
        else:
            text = "".join(output.get("text", data.get("text/plain", "")))
            parts.append(f"````text\n{text.rstrip()}\n````")
    return parts


def _write_notebooks() -> None:
    """Write the notebooks as pages, with the outputs they are stored with; `tests/test_notebooks.py` runs them."""
    folder = HERE / "story"
    folder.mkdir(exist_ok=True)
    (HERE / "drawn").mkdir(exist_ok=True)
    for old in folder.glob("*.md"):
        old.unlink()
    for path in sorted((HERE.parent / "notebooks").glob("*.ipynb")):
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        parts = [part for number, cell in enumerate(cells) for part in _cell(cell, path.stem, number)]
        (folder / f"{path.stem}.md").write_text("\n\n".join(parts) + "\n", encoding="utf-8")


def setup(app):
    """Write the generated pages before Sphinx looks for sources."""
    _write_reference()
    _write_list_of_accuracy()
    _write_notebooks()
    _write_gallery()
    app.connect("autodoc-process-docstring", _plain_text, priority=400)
    app.connect("autodoc-skip-member", _skip_fields)
