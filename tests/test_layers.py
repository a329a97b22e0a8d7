"""Imports run one way, and a command loads no more than it needs."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from stacker.cli.main import COMMANDS

PACKAGE = Path(__file__).resolve().parents[1] / "stacker"

# From the top down; packages on one line never import each other.
LAYERS = [
    {"cli"},
    {"presenting"},
    {"planning", "driving", "verifying", "looking", "calibrating"},
    {"documents", "rail", "pictures"},
    {"optics", "motion", "pixels"},
    {"errors", "figures"},
    {"records"},
]
LEVEL = {name: level for level, names in enumerate(LAYERS) for name in names}


def modules() -> list[Path]:
    """Every module, those of packages too; the two at the top belong to no layer."""
    return sorted(path for path in PACKAGE.rglob("*.py") if path.parent != PACKAGE or not path.name.startswith("__"))


def imported(path: Path) -> set[str]:
    """Dotted names that a module imports anywhere, inside functions too."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are absolute"
            names.add(node.module or "")
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_run_downward_only(path):
    own = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    for name in imported(path):
        parts = name.split(".")
        if parts[0] == "stacker" and len(parts) > 1 and parts[1] in LEVEL and parts[1] != own:
            assert LEVEL[parts[1]] > LEVEL[own], f"{path.name} ({own}) imports {name}"


# What each package below the command line may load besides the standard library and itself.
OUTSIDE = {
    "driving": set(),
    "verifying": set(),
    "looking": {"numpy", "scipy"},
    "pictures": {"exifread", "numpy", "PIL", "rawpy"},
    "documents": {"yaml"},
    "rail": {"serial"},
    "optics": {"numpy"},
    "motion": {"numpy"},
    "pixels": {"numpy", "scipy"},
    "planning": {"numpy"},
    "presenting": {"matplotlib", "numpy"},  # numpy only where a picture needs it
    "calibrating": {"numpy", "scipy"},
}
THIRD_PARTY = {"numpy", "scipy", "yaml", "serial", "click", "matplotlib", "exifread", "PIL", "rawpy"}


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_package_loads_only_what_is_its_own_business(path):
    own = path.relative_to(PACKAGE).parts[0]
    loaded = {name.split(".")[0] for name in imported(path)} & THIRD_PARTY
    assert loaded <= OUTSIDE.get(own, {"click"}), path.name


def test_nothing_below_the_command_line_prints_or_exits():
    for path in modules():
        own = path.relative_to(PACKAGE).parts[0]
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            name = node.func.id if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) else ""
            assert own == "cli" or name not in {"print", "exit", "quit", "input"}, f"{path}:{node.lineno}"


def loaded_by(arguments: list[str], words: set[str]) -> set[str]:
    """Which of some packages a run of the program has loaded at its end."""
    code = (
        "import sys\n"
        "from stacker.cli.main import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit as stopped:\n    assert not stopped.code, stopped.code\n"
        f"print('LOADED', *sorted(set({sorted(words)!r}) & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True)
    return set(done.stdout.splitlines()[-1].split()[1:])


def test_planning_loads_neither_scipy_nor_serial(plans, tmp_path):
    arguments = ["plan", str(plans / "leaf_beetle.yaml"), "-o", str(tmp_path / "beetle.plan.yaml")]
    assert loaded_by(arguments, {"scipy", "serial", "matplotlib", "PIL"}) == set()


def test_driving_loads_neither_numpy_nor_scipy(plans):
    assert loaded_by(["drive", str(plans / "leaf_beetle.plan.yaml")], {"numpy", "scipy", "serial", "PIL"}) == set()


def test_help_loads_no_command(plans):
    assert loaded_by(["--help"], {"yaml", "numpy", "serial"}) == set()


def test_every_command_has_an_example_and_says_what_it_does(stacker):
    listing = stacker("--help").out
    for name, (_, _, text) in COMMANDS.items():
        assert f"  {name} " in listing, name
        assert text in " ".join(listing.split()), name
        shown = stacker(name, "--help")
        assert shown.code == 0, name
        assert "\\b" not in shown.out, name
        assert max(map(len, shown.out.splitlines())) <= 80, name
        assert "Example" in shown.out or "COMMAND" in shown.out, name
