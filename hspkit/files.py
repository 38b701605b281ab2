"""Users' files: read up to a bound, written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterator
from pathlib import Path

from hspkit import checks
from hspkit.errors import DataFileError, FileAccessError, InputError

__all__ = ["MAX_FILE_BYTES", "check_target", "file_bytes", "replacing", "write_bytes", "write_text"]

#: Largest file of a user's that is read [bytes]: ten times a table of 100,000 rows with all columns.
MAX_FILE_BYTES = 256_000_000


def file_bytes(path: str | Path) -> bytes:
    """Return what stands in a file, unless it is larger than any table of a user's.

    Parameters
    ----------
    path : str or Path
        The file. [-]

    Raises
    ------
    DataFileError
        When it is not there, a folder, may not be read, or has more than `MAX_FILE_BYTES`.

    Examples
    --------
    >>> file_bytes("/nowhere/oil.csv")
    Traceback (most recent call last):
    hspkit.errors.DataFileError: cannot read '/nowhere/oil.csv': there is no file of that name; check the path
    """
    checks.path(path)
    name = _shown(path)
    try:
        with Path(path).open("rb") as stream:  # piece by piece: a device says nothing of its size
            pieces, size = [], 0
            while size <= MAX_FILE_BYTES and (piece := stream.read(1_000_000)):
                pieces.append(piece)
                size += len(piece)
    except FileNotFoundError:
        message = f"cannot read {name}: there is no file of that name; check the path"
        raise DataFileError(message) from None
    except (OSError, ValueError) as error:  # ValueError: a zero byte in the name
        message = f"cannot read {name}: {getattr(error, 'strerror', None) or error}; give the path of a readable file"
        raise DataFileError(message) from None
    if size > MAX_FILE_BYTES:
        message = f"cannot read {name}: it has more than {MAX_FILE_BYTES / 1e6:g} MB; split the table"
        raise DataFileError(message)
    return b"".join(pieces)


def _shown(path: str | Path) -> str:
    text = str(path)
    return repr(text if len(text) <= 300 else f"{text[:150]} ... {text[-150:]}")


def check_target(path: str | Path) -> Path:
    """Return the file that a path leads to, links followed, after checking that a file can stand there.

    Parameters
    ----------
    path : str or Path
        The file to make or to replace. [-]

    Raises
    ------
    InputError
        When it is a folder or a device, the folder it should be in is not there, or no file can have such a name.

    Examples
    --------
    >>> check_target("/nowhere/at/all.txt")
    Traceback (most recent call last):
    hspkit.errors.InputError: cannot write '/nowhere/at/all.txt': there is no folder '/nowhere/at'; make it first
    """
    target, name = Path(checks.path(path)), _shown(path)
    try:
        if target.is_dir():
            message = f"cannot write {name}: it is a folder; give the name of a file"
            raise InputError(message)
        if not target.parent.is_dir():
            message = f"cannot write {name}: there is no folder {_shown(target.parent)}; make it first"
            raise InputError(message)
        real = target.resolve()  # a link keeps pointing to the file, which is replaced
        if real.exists() and not real.is_file():  # a file put in its place would break the device
            message = f"cannot write {name}: it is a device, not a file; give the name of a file"
            raise InputError(message)
    except InputError:
        raise
    except (OSError, ValueError, RuntimeError) as error:  # a zero byte, a name too long, links in a circle
        reason = getattr(error, "strerror", None) or error
        message = f"cannot write {name}: {reason}; give the name of a file"
        raise InputError(message) from None
    return real


@contextlib.contextmanager
def replacing(path: str | Path) -> Iterator[Path]:
    """Give a path to write to; it takes the place of ``path`` when all went well.

    When writing fails, or is broken off, what stood at ``path`` before still stands there whole. A process that is
    killed may leave a file ``.draft-...`` beside it.

    Parameters
    ----------
    path : str or Path
        The file to make or to replace. [-]

    Raises
    ------
    InputError
        When it is a folder or a device, or the folder it should be in is not there.
    FileAccessError
        When the disk is full or may not be written.

    Examples
    --------
    >>> import tempfile
    >>> place = Path(tempfile.mkdtemp()) / "note.txt"
    >>> with replacing(place) as draft:
    ...     _ = draft.write_text("done")
    >>> place.read_text()
    'done'
    """
    target = check_target(path)
    # the ending may choose the format; the rest is of this writer alone
    draft = target.with_name(f".draft-{os.getpid()}-{secrets.token_hex(4)}{target.suffix}")
    try:
        yield draft
        if target.exists():
            draft.chmod(target.stat().st_mode & 0o7777)
        os.replace(draft, target)
    except OSError as error:
        raise write_error(path, error) from error
    finally:
        with contextlib.suppress(OSError):  # what went wrong before says more
            draft.unlink(missing_ok=True)


def write_error(path: str | Path, error: OSError) -> FileAccessError:
    """Return the error that says which file could not be written, why, and what to do."""
    made = FileAccessError(
        f"cannot write {_shown(path)}: {error.strerror or error}; what stood there before is unchanged. Make room, or "
        "choose a folder that you may write to, and try again"
    )
    made.errno, made.strerror, made.filename = error.errno, error.strerror, str(path)
    return made


def write_bytes(path: str | Path, content: bytes) -> Path:
    """Write a file whole or not at all; see `replacing`.

    Parameters
    ----------
    path : str or Path
        The file. [-]
    content : bytes
        What to write. [-]

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError, FileAccessError
        As in `replacing`.
    """
    with replacing(path) as draft, draft.open("wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())
    with contextlib.suppress(OSError, AttributeError):  # so that the new name survives a power cut, where that exists
        folder = os.open(Path(path).resolve().parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    return Path(path)


def write_text(path: str | Path, text: str) -> Path:
    """Write a text file whole or not at all; see `replacing`.

    Parameters
    ----------
    path : str or Path
        The file. [-]
    text : str
        What to write, as UTF-8; half a sign, of which no text is made, is written as its number. [-]

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError, FileAccessError
        As in `replacing`.
    """
    return write_bytes(path, text.encode("utf-8", "backslashreplace"))
