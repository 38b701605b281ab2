"""The parser of all verbs, the run of one, and its exit code."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
import warnings
from collections.abc import Sequence

import hspkit
from hspkit import rendering
from hspkit.errors import ExtrapolationWarning, HspkitError
from hspkit.shell import batch, blend, data, dilute, dissolve, dose, estimate, handling, rank
from hspkit.shell.options import Parser

__all__ = ["build_parser", "main"]

#: In the order of the help.
_VERBS = (rank, dissolve, blend, estimate, dose, batch, handling, dilute, data)
#: A message longer than this is cut in the middle.
_MESSAGE = 600


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the command line."""
    parser = Parser(
        prog="hspkit",
        description="Which non-alcohol carrier dissolves this oil, is it allowed, and how much may the drink hold?",
        epilog=(
            "example: python -m hspkit rank lemon --market EU --category 'soft drinks' --oil-mg-per-l 40\n"
            "Predictions, not release tests: confirm with a bench trial, check the code in force in your market."
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"hspkit {hspkit.__version__}")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="verb", parser_class=Parser)
    for verb in _VERBS:
        name = verb.__name__.rpartition(".")[2]
        added = verbs.add_parser(
            name,
            help=verb.HELP,
            description=verb.HELP[0].upper() + verb.HELP[1:] + ".",
            epilog=f"example: python -m hspkit {name} {verb.EXAMPLE}",
        )
        verb.add_options(added)
        added.set_defaults(run=verb.run)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return the exit code (0, or 2 with one line on standard error)."""
    options = build_parser().parse_args(arguments)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", ExtrapolationWarning)
        try:
            text = options.run(options)
        except (HspkitError, OSError) as error:
            message = rendering.plain(error)
            if len(message) > _MESSAGE:
                message = f"{message[: _MESSAGE // 2]} ... {message[-_MESSAGE // 2 :]}"
            print(f"hspkit: {message}", file=sys.stderr)
            return 2
        except KeyboardInterrupt:
            print("hspkit: stopped", file=sys.stderr)
            return 130
    for note in dict.fromkeys(getattr(options, "notes", [])):
        print(f"hspkit: note: {rendering.plain(note)}", file=sys.stderr)
    for warning in dict.fromkeys(str(warning.message) for warning in caught):
        print(f"hspkit: warning: {warning}", file=sys.stderr)
    return _print(text)


def _print(text: str) -> int:
    """Print a result on standard output; return the exit code."""
    try:
        encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
        try:
            text.encode(encoding)
        except UnicodeEncodeError:  # a terminal without this character, or bytes on the line that were no text
            text = text.encode(encoding, "backslashreplace").decode(encoding)
        print(text, flush=True)
    except OSError as error:
        # Python would complain once more when it closes the stream
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if isinstance(error, BrokenPipeError):  # the reader has closed the pipe
            return 0
        print(f"hspkit: cannot write the answer: {error.strerror or error}; make room and ask again", file=sys.stderr)
        return 2
    return 0
