"""The command line: one module a verb, with its options and what it prints.

Errors are one line on standard error and exit code 2; what a verb returns is printed on standard output.
"""

from hspkit.shell.command import build_parser, main
from hspkit.shell.reading import read_liquid

__all__ = ["build_parser", "main", "read_liquid"]
