"""The package as a newcomer installs it, and as an object: in a copy, in a function that goes to another process."""

import ast
import copy
import math
import pickle
import re
import subprocess
import sys
import tomllib
import types
from functools import cache
from pathlib import Path

import pytest

import hspkit
import hspkit.carriers  # binds no module over the function
import hspkit.oils

TESTS = Path(__file__).resolve().parent


@cache
def _extra(name):
    """Names of the packages of an extra, those of the extras that it takes up and of the package itself among them."""
    project = tomllib.loads((TESTS.parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    found = {re.match(r"[\w-]+", line)[0] for line in project["dependencies"]}
    for line in project["optional-dependencies"][name]:
        others = re.fullmatch(r"hspkit\[(.*)\]", line)
        found |= set().union(*map(_extra, others[1].split(","))) if others else {re.match(r"[\w-]+", line)[0]}
    return found


def _texts(node):
    return [part.value for part in ast.walk(node) if isinstance(part, ast.Constant) and isinstance(part.value, str)]


@pytest.mark.parametrize("path", sorted(TESTS.rglob("*.py")), ids=lambda path: path.name)
def test_a_newcomer_skips_nothing_but_what_the_system_lacks(path):
    """What a test needs comes with ``pip install ".[test]"``; whatever else is skipped says what a system lacks."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        called = node.func.attr if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) else ""
        if called == "importorskip":
            package = node.args[0].value.split(".")[0]
            where = f"{path.name}, line {node.lineno}"
            assert package in _extra("test") | sys.stdlib_module_names, f"{where}: {package} is not in the extra `test`"
        if called in ("skip", "skipif"):
            assert "on this system" in " ".join(_texts(node)), f"{path.name}, line {node.lineno}"


def test_oils_and_carriers_are_functions_although_modules_have_their_names():
    assert isinstance(hspkit.oils, types.FunctionType)
    assert isinstance(hspkit.carriers, types.FunctionType)
    assert isinstance(sys.modules["hspkit.oils"], types.ModuleType)


def test_a_copy_of_what_holds_the_package_holds_the_package():
    """Plain modules refuse, and only cloudpickle goes by their names; a setting that holds one shall not stop a job."""
    with pytest.raises(TypeError, match="module"):
        copy.deepcopy({"m": math})
    for again in (copy.deepcopy({"m": hspkit}), copy.copy({"m": hspkit}), pickle.loads(pickle.dumps({"m": hspkit}))):
        assert again["m"] is hspkit
    assert copy.copy(hspkit) is hspkit


MAIN = """
import sys
import cloudpickle
import hspkit
import hspkit as kit
from hspkit import plotting

def verdict(name):
    return hspkit.dissolve(name, kit.carrier("triacetin")).verdict, len(hspkit.oils()), plotting.__name__

sys.stdout.buffer.write(cloudpickle.dumps(verdict))
"""


def test_a_function_of_a_notebook_that_uses_the_package_goes_to_another_process():
    cloudpickle = pytest.importorskip("cloudpickle")
    made = subprocess.run([sys.executable, "-c", MAIN], capture_output=True, check=True)
    expected = hspkit.dissolve("limonene", "triacetin").verdict, len(hspkit.oils()), "hspkit.plotting"
    assert cloudpickle.loads(made.stdout)("limonene") == expected
    read = "import sys, pickle; print(pickle.loads(sys.stdin.buffer.read())('limonene'))"
    done = subprocess.run([sys.executable, "-c", read], input=made.stdout, capture_output=True, check=True)
    assert done.stdout.decode().strip() == str(expected)
