"""What the verbs print: wrapped lines, json, notices, and the files they write beside it."""

from __future__ import annotations

import argparse
import json
import sys
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from hspkit import files, rendering

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["as_json", "check_files", "notice", "section"]


def section(lines: Sequence[str], mark: str = "", heading: str = "") -> str:
    """Return lines 110 characters wide, each after a mark, below a heading.

    Examples
    --------
    >>> print(section(["flammable"], "! ", "Cautions"))
    Cautions
    ! flammable
    """
    indent = " " * len(mark)
    printed = [
        textwrap.fill(rendering.plain(line), 110, initial_indent=mark, subsequent_indent=indent) for line in lines
    ]
    return "\n".join([heading, *printed] if heading else printed)


def as_json(frame: pd.DataFrame, **more: object) -> str:
    """Return a table as json, its rows below the other entries."""

    def text(cell: Any) -> Any:  # bytes on the line that were no text reach us as half signs, which json cannot hold
        return cell.encode("utf-8", "backslashreplace").decode("utf-8") if isinstance(cell, str) else cell

    rows = json.loads(frame.map(text).to_json(orient="records"))
    return json.dumps({**more, "rows": rows}, indent=1, ensure_ascii=False)


def check_files(options: argparse.Namespace) -> None:
    """Refuse a file that cannot be written before the work is done, not after."""
    for name in ("html", "figure"):
        if getattr(options, name, None):
            files.check_target(getattr(options, name))


def notice(text: str) -> None:
    """Say on standard error that something takes a while, where somebody is watching."""
    if sys.stderr.isatty():
        print(f"hspkit: {text} ...", file=sys.stderr)
