"""The arrows between modules, the public names, and what an import costs."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

import hspkit

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "hspkit"

_ARROWS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## Arrows")[1].split("## ")[0]
#: Lowest first, as DEVELOPERS.md states it; each module imports only modules before it.
ORDER = re.findall(r"`([a-z_]+)`", _ARROWS.split("reads the imports.")[1])


def _module_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def _sources() -> list[Path]:
    return sorted(p for p in PACKAGE.rglob("*.py") if p != PACKAGE / "__init__.py")


def _imported(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import in line {node.lineno}"
            if node.module == "hspkit":
                found.update(alias.name for alias in node.names)
            elif node.module and node.module.startswith("hspkit."):
                found.add(node.module.split(".")[1])
        elif isinstance(node, ast.Import):
            found.update(a.name.split(".")[1] for a in node.names if a.name.startswith("hspkit."))
    return found


@pytest.mark.parametrize("path", _sources(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_modules_import_only_what_stands_above_them(path):
    module = _module_of(path)
    assert module in ORDER, f"{module} has no place in the order; add it to ORDER and DEVELOPERS.md"
    for other in _imported(path) - {module, "__version__"}:
        assert other in ORDER, f"{path} imports hspkit.{other}, which has no place in the order"
        assert ORDER.index(other) < ORDER.index(module), f"{module} imports {other}, which stands below it"


def _dotted(path: Path) -> str:
    """Return the name by which a file is imported."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def _files_imported(path: Path, files: set[str]) -> set[str]:
    """Return the files that a file imports, wherever in it: late imports and those for type checkers too."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            names |= {f"{node.module}.{alias.name}" for alias in node.names} & files
            names |= {node.module} if any(f"{node.module}.{alias.name}" not in files for alias in node.names) else set()
        elif isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
    return (names & files) - {_dotted(path), "hspkit"}


def test_no_files_import_each_other_in_a_circle():
    """Files are taken away while one is left that imports none of the rest; what cannot be taken away is a circle."""
    files = {_dotted(path): path for path in _sources()}
    imports = {name: _files_imported(path, set(files)) for name, path in files.items()}
    while free := [name for name, others in imports.items() if not others & imports.keys()]:
        for name in free:
            del imports[name]
    assert not imports


#: No file is longer than this, and no function's body has so many lines.
LONGEST_FILE, LONGEST_BODY = 450, 60


@pytest.mark.parametrize("path", _sources(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_files_and_functions_are_short(path):
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= LONGEST_FILE
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            body = node.body[1:] if ast.get_docstring(node) is not None else node.body
            if body:
                assert body[-1].end_lineno - body[0].lineno + 1 < LONGEST_BODY, f"{path.name}: {node.name}"


def test_every_module_has_its_place():
    assert ORDER[0] == "errors"
    assert ORDER[-2:] == ["__main__", "workshop"]
    assert {_module_of(path) for path in _sources()} <= set(ORDER)


def test_public_names_are_pinned_and_resolve():
    assert len(hspkit.__all__) <= 32
    for name in hspkit.__all__:
        assert getattr(hspkit, name) is not None
        assert name in dir(hspkit)


def test_type_checkers_see_the_public_names():
    tree = ast.parse((PACKAGE / "__init__.py").read_text(encoding="utf-8"))
    block = next(n for n in tree.body if isinstance(n, ast.If) and getattr(n.test, "id", "") == "TYPE_CHECKING")
    seen = {alias.asname: line.module for line in block.body for alias in line.names}
    assert seen == {name: f"hspkit.{module}" for name, module in hspkit._HOME.items()}


def _fresh(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_import_is_cheap_and_loads_no_drawing_or_optimiser():
    out = _fresh(
        "import sys, time; start = time.perf_counter(); import hspkit; took = time.perf_counter() - start;"
        "print(took, *[m for m in ('matplotlib', 'scipy', 'pandas', 'numpy', 'rdkit', 'dask') if m in sys.modules])"
    ).split()
    assert float(out[0]) < 0.5
    assert out[1:] == []


def test_import_reads_no_file_but_its_own():
    """What the interpreter opens is told to an audit hook; modules of the standard library are none of ours."""
    out = _fresh(
        "import sys; seen = [];"
        "sys.addaudithook(lambda event, given: event == 'open' and seen.append(str(given[0])));"
        "import hspkit; print(*[path for path in seen if 'hspkit' in path], sep=chr(10))"
    ).splitlines()
    assert out
    assert {Path(path).name.split(".")[0] for path in out} <= {"__init__"}
    assert not any("datasets" in path for path in out)


@pytest.mark.parametrize(
    ("module", "without"),
    [
        ("hansen", ("matplotlib", "scipy", "rdkit", "pandas")),
        ("phases", ("matplotlib", "scipy.optimize", "rdkit", "pandas")),
        ("miscibility", ("matplotlib", "scipy.optimize")),
        ("scale", ("matplotlib", "scipy.optimize", "dask", "distributed")),
        ("blending", ("matplotlib",)),
        ("__main__", ("matplotlib", "scipy.optimize", "dask")),
    ],
)
def test_a_module_loads_only_what_it_needs(module, without):
    out = _fresh(f"import sys, hspkit.{module}; print(*[m for m in {without!r} if m in sys.modules])")
    assert out.split() == []


def test_functions_win_over_modules_of_the_same_name():
    out = _fresh("import hspkit.oils, hspkit.carriers; print(len(hspkit.oils()), len(hspkit.carriers()))")
    assert all(int(count) > 0 for count in out.split())


def _may_print(path: Path) -> bool:
    """Whether a module is a command."""
    return path.parent.name in ("shell", "workshop")


@pytest.mark.parametrize("path", _sources(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_nothing_evaluates_text_prints_or_opens_the_network(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    called = {n.func.id for n in ast.walk(tree) if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)}
    forbidden = {"eval", "exec"} | (set() if _may_print(path) else {"print"})
    assert not called & forbidden
    for node in ast.walk(tree):
        modules = [a.name for a in node.names] if isinstance(node, ast.Import) else []
        modules += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
        assert not {m.split(".")[0] for m in modules} & {"pickle", "socket", "urllib", "http", "requests"}
