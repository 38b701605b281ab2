"""The batch sheet: what to weigh, in what order, what to expect, what to check, and the trial to run first.

As text, Markdown, a self-contained HTML page that prints on one A4 page, or a DataFrame. Masses decide: weigh, and
use the volumes to choose the vessel. The order of mixing is common practice, no source.
"""

from hspkit.report.build import batch_sheet
from hspkit.report.liquids import SheetLine, read_batch
from hspkit.report.sheet import BatchSheet

__all__ = ["BatchSheet", "SheetLine", "batch_sheet", "read_batch"]
