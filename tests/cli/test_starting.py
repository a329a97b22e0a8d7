"""Ctrl-C while modules are being loaded."""

from __future__ import annotations

import subprocess
import sys

import pytest

CODE = """
import sys

module = sys.argv.pop(1)

class CtrlC:
    def find_spec(self, name, path=None, target=None):
        if name == module:
            raise KeyboardInterrupt

sys.meta_path.insert(0, CtrlC())
from stacker.__main__ import main
main()
"""


@pytest.mark.parametrize("module", ["stacker.cli.main", "click", "stacker.errors", "stacker.cli.plan", "yaml", "numpy"])
def test_ctrl_c_during_imports_ends_the_program_in_one_line(plans, tmp_path, module):
    command = ["plan", str(plans / "leaf_beetle.yaml"), "-o", str(tmp_path / "x.plan.yaml")]
    done = subprocess.run([sys.executable, "-c", CODE, module, *command], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr.strip(), done.stdout) == (1, "stopped.", "")
