"""The package as an object: in a function that goes to another process, in a copy, in a pickle."""

import copy
import math
import pickle
import subprocess
import sys
import types

import pytest

import hspkit
import hspkit.carriers  # binds no module over the function
import hspkit.oils


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
