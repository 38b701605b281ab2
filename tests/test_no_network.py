"""The library opens no connection, runs no program and evaluates no text: by its source, and by watching it work."""

import ast
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
#: Run the repository's own commands, in a checkout; not in the wheel.
RUNNERS = {ROOT / "hspkit" / "workshop" / name for name in ("chain.py", "pages.py")}
SOURCES = sorted(set((ROOT / "hspkit").rglob("*.py")) - RUNNERS)

#: Modules that reach out, run something, or make objects of foreign bytes.
MODULES = {
    "aiohttp", "asyncio", "cffi", "cloudpickle", "code", "ctypes", "dill", "ftplib", "http", "httpx", "imaplib",
    "joblib", "marshal", "multiprocessing", "pickle", "poplib", "pty", "requests", "runpy", "shelve", "smtplib",
    "socket", "socketserver", "ssl", "subprocess", "telnetlib", "urllib", "urllib3", "webbrowser", "xmlrpc", "yaml",
}  # fmt: skip
#: Functions that evaluate text, by their bare name.
FUNCTIONS = {"eval", "exec", "compile", "__import__", "breakpoint", "input"}
#: Functions of modules, and methods, that run or evaluate something.
ATTRIBUTES = {
    "system", "popen", "fork", "forkpty", "startfile", "execv", "execve", "execvp", "execl", "execlp", "spawnl",
    "spawnv", "posix_spawn", "read_pickle", "to_pickle", "read_html", "read_sql", "urlopen", "urlretrieve", "eval",
    "exec",
}  # fmt: skip


def misdeeds(source: str) -> list[str]:
    """Return what a source does that it may not, with its line."""
    found = []
    for node in ast.walk(ast.parse(source)):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or "", *(f"{node.module}.{alias.name}" for alias in node.names)]
            found += [f"{node.lineno}: {name}" for name in names[1:] if name.split(".")[-1] in ATTRIBUTES]
        found += [f"{node.lineno}: {name}" for name in names if name.split(".")[0] in MODULES]
        if isinstance(node, ast.Name) and node.id in FUNCTIONS:
            found.append(f"{node.lineno}: {node.id}")
        if isinstance(node, ast.Attribute) and node.attr in ATTRIBUTES:
            found.append(f"{node.lineno}: .{node.attr}")
        if isinstance(node, ast.Call):
            for given in node.keywords:
                if given.arg in ("allow_pickle", "shell"):
                    found.append(f"{node.lineno}: {given.arg}")
    return found


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_source_reaches_out_or_evaluates(path):
    assert misdeeds(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "source",
    [
        "import pickle",
        "from urllib.request import urlopen",
        "import requests as r",
        "eval('1')",
        "f = exec",
        "import os\nos.system('ls')",
        "from os import system",
        "import subprocess",
        "__import__('socket')",
        "frame.eval('a + b')",
        "import pandas as pd\npd.read_pickle('x')",
        "import numpy as np\nnp.load('x', allow_pickle=True)",
        "def f():\n    import socket",
    ],
)
def test_the_reader_of_sources_sees_it(source):
    assert misdeeds(source)


def test_the_main_job_runs_where_there_is_no_network(tmp_path):
    """In a process of its own that tells every connection it tries, without a network where the system allows that.

    It tells of sockets, of names that are looked up and of programs that are run, makes sure first that it would hear
    of one, and leaves no files but its own.
    """
    apart = shutil.which("unshare")
    lonely = [apart, "-r", "-n"] if apart else []
    if lonely and subprocess.run([*lonely, "true"], capture_output=True, check=False).returncode:
        lonely = []
    done = subprocess.run(
        [*lonely, sys.executable, str(ROOT / "tests" / "main_job.py"), str(tmp_path)],
        capture_output=True, text=True, check=False, cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.endswith("10 files, 10 not empty; forbidden: []\n")
    own = {"sheet.html", "sheet.md", "sheet.txt", "sheet.csv", "ranking.html", "ranking.csv", "ranking.png", "dose.svg",
           "path.pdf", "log.csv"}  # fmt: skip
    assert {file.name for file in tmp_path.iterdir()} == own | {"report.csv", ".log.csv.lock"}
