"""No module needs what only POSIX systems have: each is imported with those modules blocked."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[1] / "stacker"
POSIX_ONLY = ("fcntl", "termios", "tty", "pty", "pwd", "grp", "resource", "syslog", "crypt", "readline", "curses")

# What stands outside of this package is loaded beforehand, as it is on this system; ours then sees another one.
IMPORT_ALL = f"""
import importlib, pkgutil, sys, types
import click, numpy, serial, serial.serialutil, serial.tools.list_ports, yaml, scipy.stats, scipy.special
import asyncio, concurrent.futures.process, ctypes, multiprocessing.connection
import selectors, socket, subprocess, tempfile, urllib.parse, webbrowser
sys.platform = "win32"
sys.modules["msvcrt"] = types.ModuleType("msvcrt")
for name in {POSIX_ONLY!r}:
    sys.modules[name] = None  # an import of it raises ImportError
import stacker
names = [module.name for module in pkgutil.walk_packages(stacker.__path__, "stacker.")]
for name in names:
    if name != "stacker.__main__":
        importlib.import_module(name)
print(len(names))
"""

# Calls that POSIX systems alone have, and the functions that may make them because they ask first.
POSIX_CALLS = {"fork", "getuid", "geteuid", "setsid", "killpg", "mkfifo", "sync", "openpty", "chown", "ttyname"}
ASKS_FIRST = {"rail/simulated/serve.py": 'if sys.platform == "win32":\n            raise OSError'}


def test_every_module_can_be_imported_where_posix_modules_are_missing():
    done = subprocess.run([sys.executable, "-c", IMPORT_ALL], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > 90


def test_posix_calls_stand_behind_a_question():
    for path in PACKAGE.rglob("*.py"):
        text, home = path.read_text(encoding="utf-8"), path.relative_to(PACKAGE).as_posix()
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                if node.value.id == "os" and node.attr in POSIX_CALLS:
                    assert ASKS_FIRST.get(home, "nowhere") in text, f"{home}:{node.lineno}: os.{node.attr}"
                assert node.value.id != "signal" or node.attr not in {"SIGHUP", "SIGALRM", "alarm"}, home
