"""A document of one table and sections of lines, as text, Markdown and HTML that prints on one A4 page."""

from __future__ import annotations

import html
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hspkit import rendering

__all__ = ["CAUTIONS", "EXPECTED", "ORDER_OF_MIXING", "TRIAL", "Document"]

#: Headings of the sections that have a place of their own on a page.
EXPECTED, TRIAL, ORDER_OF_MIXING, CAUTIONS = "Expected", "Trial to run first", "Order of mixing", "Cautions"
#: Usual and smallest size of print and height of the page between its margins [pt]; height of a line over its size,
#: width of a line in characters times size, and size of the small print over the usual: as `rendering` sets them, the
#: width found by printing.
_PRINT_SIZE, _SMALLEST_PRINT, _PAGE_PT = 8.4, 5.6, 770.0
_LEADING, _LINE_PT, _SMALL = 1.27, 1050.0, 0.88
_SIGNED = "Lots: ____________________   Weighed by: ______________   Checked by: ______________   Date: ________"


@dataclass(frozen=True)
class Document:
    """A sheet for the bench, before it is rendered.

    Parameters
    ----------
    title, question : str
        Heading, and what the sheet is about in one line. [-]
    headings : sequence of (str, str)
        Headings of the table with their units. [-]
    rows : sequence of sequences of str
        Cells of the table; the first two columns are text. [-]
    sections : sequence of (str, tuple of str)
        Headings with their lines; `EXPECTED`, `TRIAL`, `ORDER_OF_MIXING` and `CAUTIONS` are among them. [-]
    warns : bool
        Whether what is expected is set off as a warning. [-]
    """

    title: str
    question: str
    headings: Sequence[tuple[str, str]]
    rows: Sequence[Sequence[str]]
    sections: Sequence[tuple[str, tuple[str, ...]]]
    warns: bool

    def text(self) -> str:
        """Return plain text, 100 characters wide."""
        head = [f"{name} [{unit}]" if unit else name for name, unit in self.headings]
        blocks = [
            rendering.plain(self.title),
            rendering.plain(self.question),
            rendering.text_table(head, self.rows, left=2),
        ]
        for heading, lines in self.sections:
            printed = [heading]
            for place, line in enumerate(lines, start=1):
                mark = f"{place}. " if heading == ORDER_OF_MIXING else "! " if heading == CAUTIONS else "- "
                indent = " " * len(mark)
                printed.append(textwrap.fill(rendering.plain(line), 100, initial_indent=mark, subsequent_indent=indent))
            blocks.append("\n".join(printed))
        return "\n\n".join(blocks) + "\n"

    def markdown(self) -> str:
        """Return Markdown."""
        head = [f"{name} ({unit})" if unit else name for name, unit in self.headings]
        blocks = [
            f"# {rendering.markdown_text(self.title)}",
            rendering.markdown_text(self.question),
            rendering.markdown_table(head, self.rows, left=2),
        ]
        for heading, lines in self.sections:
            mark = "1. " if heading == ORDER_OF_MIXING else "- "
            blocks.append(f"## {heading}\n\n" + "\n".join(mark + rendering.markdown_text(line) for line in lines))
        return "\n\n".join(blocks) + "\n"

    def page(self) -> str:
        """Return a page of HTML of its own that prints on one page of A4."""
        body = f'<div class="fit" style="--print:{self._print_size():.1f}pt">{self.html()}</div>'
        return rendering.html_page(self.title, body)

    def html(self) -> str:
        """Return what stands in the body of the page."""
        blocks = {
            heading: f"<h2>{html.escape(heading)}</h2>{rendering.html_list(lines, ordered=heading == ORDER_OF_MIXING)}"
            for heading, lines in self.sections
        }
        expected, cautions = blocks.pop(EXPECTED), blocks.pop(CAUTIONS)
        trial, steps = blocks.pop(TRIAL), blocks.pop(ORDER_OF_MIXING)
        title, question = html.escape(rendering.plain(self.title)), html.escape(rendering.plain(self.question))
        return "".join(
            [
                f"<h1>{title}</h1><p>{question}</p>",
                f'<div class="key{" warn" if self.warns else ""}">{expected}</div>',
                f'<div class="wide">{rendering.html_table(self.headings, self.rows, left=2)}</div>',
                f'<div class="pair"><div>{trial}</div><div>{steps}</div></div>',
                *blocks.values(),
                f'<div class="small">{cautions}</div><p class="small">{_SIGNED.replace("   ", "&emsp;")}</p>',
            ]
        )

    def _print_size(self) -> float:
        """Return the largest size of print, up to the usual one, at which the sheet fits on one A4 page. [pt]"""
        sizes = np.arange(_PRINT_SIZE, _SMALLEST_PRINT, -0.1)
        fitting = (float(size) for size in sizes if self._print_lines(size) * size * _LEADING <= _PAGE_PT)
        return next(fitting, _SMALLEST_PRINT)

    def _print_lines(self, size: float) -> float:
        """Return how many lines of print the page needs at a size."""
        width = _LINE_PT / size
        heading = 1.9

        def needed(lines: tuple[str, ...], share: float = 1.0) -> float:
            return heading + sum(float(np.ceil(len(line) / (share * width - 4))) for line in lines)

        sections = dict(self.sections)
        side_by_side = max(needed(sections.pop(TRIAL), 0.5), needed(sections.pop(ORDER_OF_MIXING), 0.5))
        cautions = _SMALL * needed(sections.pop(CAUTIONS), 1.0 / _SMALL)
        title = 2.0 * float(np.ceil(1.6 * len(self.title) / width))
        return title + 4.0 + 1.4 * (len(self.rows) + 2) + side_by_side + cautions + sum(map(needed, sections.values()))
