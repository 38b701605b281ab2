"""What the documentation promises: units in docstrings, examples that run, links that resolve, a short README."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re
import shlex
from pathlib import Path

import pytest

import hspkit

ROOT = Path(__file__).resolve().parent.parent
SECTIONS = ("Parameters", "Returns", "Yields", "Raises", "Warns", "Notes", "References", "Examples", "See Also")
#: Types of quantities: they have a unit. A text, a table or an object of the library has none.
QUANTITY = re.compile(r"\b(float|int|ndarray|array_like|array)\b|of shape")
ARRAY = re.compile(r"\bndarray\b|\barray_like\b")
UNIT = re.compile(r"\[[^\[\]]+\][.;)]?(\s|$)")


def sections(text: str | None) -> dict[str, list[str]]:
    """Return the sections of a numpydoc docstring as lists of lines."""
    lines = inspect.cleandoc(text or "").splitlines()
    found: dict[str, list[str]] = {"Summary": []}
    name = "Summary"
    for row, line in enumerate(lines):
        under = lines[row + 1] if row + 1 < len(lines) else ""
        if line.strip() in SECTIONS and under.startswith("---"):
            name = line.strip()
            found[name] = []
        elif not (line.startswith("---") and set(line) == {"-"}):
            found[name].append(line)
    return found


def entries(lines: list[str]) -> list[tuple[str, str]]:
    """Return (heading, description) of each entry of a section."""
    found: list[tuple[str, list[str]]] = []
    for line in lines:
        if line and not line.startswith(" "):
            found.append((line, []))
        elif found:
            found[-1][1].append(line.strip())
    return [(head, " ".join(text).strip()) for head, text in found]


def public() -> dict[str, object]:
    """Return what the reference shows: functions, classes and their methods, of each module's `__all__`, by name."""
    found: dict[str, object] = {}
    for info in pkgutil.iter_modules(hspkit.__path__, "hspkit."):
        if info.name == "hspkit.__main__":
            continue
        module = importlib.import_module(info.name)
        for name in getattr(module, "__all__", ()):
            thing = getattr(module, name)
            if not (inspect.isfunction(thing) or inspect.isclass(thing)) or not thing.__module__.startswith("hspkit"):
                continue
            home = f"{thing.__module__}.{thing.__qualname__}"
            found[home] = thing
            if inspect.isclass(thing):
                for key, value in vars(thing).items():
                    inner = getattr(value, "__func__", value)
                    if not key.startswith("_") and inspect.isfunction(inner):
                        found[f"{home}.{key}"] = inner
    return dict(sorted(found.items()))


PUBLIC = public()


def missing_units(text: str | None) -> list[str]:
    """Return the entries of a docstring that are quantities without a unit, or arrays without a shape."""
    found = []
    parts = sections(text)
    for section in ("Parameters", "Returns", "Yields"):
        for head, said in entries(parts.get(section, [])):
            kind = head.partition(" : ")[2] if section == "Parameters" else head
            if QUANTITY.search(kind):
                if not UNIT.search(said):
                    found.append(f"{section}: {head!r} has no [unit]")
                if ARRAY.search(kind) and "shape" not in kind + said:
                    found.append(f"{section}: {head!r} has no shape")
    return found


def missing_text(thing: object) -> list[str]:
    """Return what else a public docstring lacks: a summary, an argument, the errors that the body raises."""
    text = inspect.getdoc(thing) if not inspect.isclass(thing) else thing.__doc__
    parts = sections(text)
    if not "".join(parts["Summary"]).strip():
        return ["no docstring"]
    if not inspect.isfunction(thing):
        return []
    found = []
    if re.search(r"^\s+raise \w", inspect.getsource(thing), re.MULTILINE) and "Raises" not in parts:
        found.append("raises, and has no section Raises")
    given = inspect.signature(thing).parameters.values()
    asked = {one.name: str(one.annotation) for one in given if one.name not in ("self", "cls")}
    if "Parameters" in parts:
        heads = [head.split(" : ")[0] for head, _ in entries(parts["Parameters"])]
        said = {name.strip(" *") for head in heads for name in head.split(",")}
        found.extend(f"argument {name!r} is not described" for name in asked if name not in said)
    elif any(re.search("float|Array", kind) for kind in asked.values()):
        found.append("takes a quantity, and has no section Parameters")
    return found


def test_units_and_shapes_stand_in_every_public_docstring() -> None:
    gaps = [f"{name}: {gap}" for name, thing in PUBLIC.items() for gap in missing_units(thing.__doc__)]
    assert not gaps, f"{len(gaps)} gaps:\n" + "\n".join(gaps)


def test_every_public_docstring_says_its_arguments_and_errors() -> None:
    gaps = [f"{name}: {gap}" for name, thing in PUBLIC.items() for gap in missing_text(thing)]
    assert not gaps, f"{len(gaps)} gaps:\n" + "\n".join(gaps)


def test_every_exported_name_has_an_example() -> None:
    """Pytest runs it as a doctest. A class may have it in a method, or in the function that returns it."""
    shown, without, returned = [], {}, ""
    for name in [*hspkit.__all__, *(f"phases.{name}" for name in hspkit.phases.__all__)]:
        thing = hspkit
        for part in name.split("."):
            thing = getattr(thing, part)
        if not (inspect.isclass(thing) or inspect.isfunction(thing)):
            continue
        texts = [thing.__doc__ or ""]
        if inspect.isclass(thing):
            texts += [getattr(member, "__doc__", "") or "" for key, member in vars(thing).items() if key[0] != "_"]
        if any(">>>" in text for text in texts):
            shown.append(name)
            if inspect.isfunction(thing):
                returned += f" {thing.__annotations__.get('return', '')}"
        else:
            without[name] = inspect.isclass(thing)
    gaps = [name for name, is_class in without.items() if not (is_class and name.split(".")[-1] in returned)]
    assert shown
    assert not gaps, f"no example in the docstring of {', '.join(gaps)}"


@pytest.mark.parametrize(
    ("text", "gap"),
    [
        ("Weigh.\n\nParameters\n----------\nmass : float\n    Mass. [g]\n", None),
        ("Weigh.\n\nParameters\n----------\nmass : float\n    Mass.\n", "no [unit]"),
        ("Weigh.\n\nParameters\n----------\nmass : ndarray\n    Masses. [g]\n", "no shape"),
        ("Weigh.\n\nReturns\n-------\nndarray of shape (n,)\n    Masses.\n", "no [unit]"),
        ("Weigh.\n\nParameters\n----------\nname : str\n    Name.\n", None),
    ],
)
def test_the_reader_of_docstrings_sees_a_gap(text: str, gap: str | None) -> None:
    found = missing_units(text)
    assert (not found) if gap is None else (len(found) == 1 and gap in found[0])


README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = sorted(path for path in (ROOT / "docs").rglob("*.md") if not {"api", "story", "_build"} & set(path.parts))


def prose(text: str) -> str:
    """Return the text without code, in fences or in backticks."""
    return re.sub(r"`[^`]*`", "", re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL))


def commands(text: str) -> list[str]:
    """Return the shell commands of the library in fenced blocks without a language."""
    found, language = [], None
    for line in text.splitlines():
        if line.startswith("```"):
            language = line[3:].strip() if language is None else None
        elif language == "":
            found += [part.strip() for part in line.split("&&")]
    return [part for part in found if part.startswith("python -m hspkit ")]


def test_the_readme_fits_on_two_screens() -> None:
    lines = README.splitlines()
    assert len(lines) <= 100
    assert max(len(line) for line in lines if "python -m hspkit" not in line) <= 120


def test_numbers_in_the_readme_come_from_its_examples() -> None:
    """Results stand in doctests, which run; the prose names a version of Python and nothing else."""
    assert set(re.findall(r"\d[\d.,]*\d|\d", prose(README))) <= {"3.11"}
    assert ">>>" in README


def test_pages_that_are_not_written_by_a_command_quote_no_accuracy() -> None:
    """A percentage of right answers or a mean error belongs to a page that a command writes."""
    words = re.compile(r"(AUC|mean error|accuracy|coverage)\D{0,20}\d", re.IGNORECASE)
    written = [path for path in PAGES if not re.match(r"(accuracy-|learning|performance)", path.name)]
    gaps = [
        f"{path.name}: {found.group()!r}" for path in written if (found := words.search(prose(path.read_text("utf-8"))))
    ]
    assert written
    assert not gaps


def test_the_release_is_cited_and_its_changes_are_written() -> None:
    cited = (ROOT / "docs" / "CITATION.cff").read_text(encoding="utf-8")
    changes = (ROOT / "docs" / "changes.md").read_text(encoding="utf-8")
    assert f"version: {hspkit.__version__}\n" in cited
    assert f"## {hspkit.__version__}" in changes
    assert "### Results that change" in changes


@pytest.mark.slow
def test_commands_in_the_documentation_run(capsys: pytest.CaptureFixture[str]) -> None:
    from hspkit.__main__ import main

    found = list(dict.fromkeys(line for path in PAGES for line in commands(path.read_text(encoding="utf-8"))))
    assert {shlex.split(line)[3] for line in found} >= {
        "rank",
        "dissolve",
        "dose",
        "batch",
        "handling",
        "dilute",
        "estimate",
    }
    for line in found:
        code = main(shlex.split(line)[3:])
        said = capsys.readouterr()
        assert code in (0, None), f"{line}: {said.err}"
        assert said.out.strip(), f"{line} prints nothing"
