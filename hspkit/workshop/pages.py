"""Write the printed figures of a page anew: ``python -m hspkit.workshop.pages docs/accuracy-estimation.md``.

A block of a page stands between ``<!-- begin: COMMAND -->`` and ``<!-- end -->``; the command is run and what it prints
takes the place of the block. A block that starts with a fence stays fenced.
"""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

__all__ = ["main", "refreshed"]

_BLOCK = re.compile(
    r"(?P<begin><!-- begin: (?P<command>.+?) -->\n)(?P<fence>```text\n)?.*?(?P<end>(```\n)?<!-- end -->)", re.S
)


def _printed(command: str) -> str:
    arguments = shlex.split(command)
    program = [sys.executable, *arguments[1:]] if arguments[0] == "python" else arguments
    return subprocess.run(program, capture_output=True, text=True, check=True).stdout.strip("\n") + "\n"


def refreshed(text: str) -> str:
    """Return the text of a page with the output of its commands in their blocks.

    Examples
    --------
    >>> print(refreshed("<!-- begin: python -c 'print(1 + 1)' -->\\n3\\n<!-- end -->"))
    <!-- begin: python -c 'print(1 + 1)' -->
    2
    <!-- end -->
    """
    return _BLOCK.sub(
        lambda block: block["begin"] + (block["fence"] or "") + _printed(block["command"]) + block["end"], text
    )


def main() -> None:
    """Refresh the pages that are named."""
    for path in map(Path, sys.argv[1:]):
        path.write_text(refreshed(path.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main()
