"""Command line: the library's jobs by the same verbs as its functions.

``python -m hspkit rank "sweet orange, cold-pressed" --market US --category "soft drinks" --oil-mg-per-l 40``
"""

from hspkit.shell import main, read_liquid

__all__ = ["main", "read_liquid"]

if __name__ == "__main__":
    raise SystemExit(main())
