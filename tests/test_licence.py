"""Whoever gets the program gets its licence."""

from __future__ import annotations

import json
from importlib import metadata

import pytest
from conftest import ROOT

TEXT = (ROOT / "stacker" / "LICENSE.txt").read_text(encoding="utf-8")


def test_it_is_the_mit_licence():
    """The wording of spdx.org/licenses/MIT, from memory: its two conditions and its disclaimer."""
    words = " ".join(TEXT.split())
    assert words.startswith("MIT License Copyright (c) ")
    assert "The above copyright notice and this permission notice shall be included in all copies" in words
    assert 'THE SOFTWARE IS PROVIDED "AS IS", WITHOUT WARRANTY OF ANY KIND' in words


def test_an_installed_copy_has_it_where_the_standard_says():
    """PEP 639: the files named in License-File stand below ``licenses`` in the folder of the metadata."""
    # building leaves an egg-info beside the source, which stands first in the path and was not installed
    made = [found for found in metadata.distributions(name="stacker-planner") if found.read_text("WHEEL")]
    if not made:
        pytest.skip("run from the source without having been installed")
    installed = made[0]
    assert installed.metadata["License-Expression"] == "MIT"
    origin = json.loads(installed.read_text("direct_url.json") or "{}")
    if not origin.get("dir_info", {}).get("editable"):
        assert installed.read_text("licenses/stacker/LICENSE.txt") == TEXT
