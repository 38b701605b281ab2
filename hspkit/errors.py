"""Errors and warnings of the library.

Every message names what was given, what was allowed and what to do. All errors derive from
`HspkitError`, and also from the built-in error that a caller would expect, so that
``except ValueError`` keeps working.
"""

from __future__ import annotations

__all__ = [
    "DataFileError",
    "ExtrapolationWarning",
    "FileAccessError",
    "HspkitError",
    "InputError",
    "MoleculeError",
    "UnknownNameError",
]


class HspkitError(Exception):
    """Any error that hspkit raises on purpose."""


class InputError(HspkitError, ValueError):
    """A value that cannot be used: wrong shape, wrong unit, out of the possible range."""


class UnknownNameError(HspkitError, LookupError):
    """A name, CAS number or structure that nothing in the tables answers to, or that is ambiguous."""


class MoleculeError(InputError):
    """A structure that cannot be read, or that a method does not cover."""


class DataFileError(InputError):
    """A table whose header, units, values or sources are wrong; the message names file, row and column."""


class FileAccessError(HspkitError, OSError):
    """A file that cannot be written, for a reason of the system; the message says what stands there now."""

    def __str__(self) -> str:
        return str(self.args[0])  # not the number and words of the system alone, once those are set


class ExtrapolationWarning(UserWarning):
    """The answer lies outside the range in which its method was derived; the result carries a flag too."""
