"""``stacker calibrate lens``: plan a run, drive it on the simulated rail, photograph a rendered target, measure."""

from __future__ import annotations

import json
import os
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from darkroom.camera import Body, mosaic_of, photograph
from darkroom.dng import write_dng
from darkroom.lens import Lens, slanted_edge, texture
from rails import rail_block

from stacker.cli.pictures_of import pictures_of_run
from stacker.documents.loading import load_request
from stacker.errors import Refusal
from stacker.figures import significant

SHAPE = (256, 384)
REQUEST = """\
# of the bench
rig: {{kind: measured, magnification: 1, f_number: 4}}   # marked
camera: {{sensor_mm: [{width}, {height}], pixels: [384, 256]}}
light: {{kind: flash, exposure_s: 0.005}}
subject: {{depth_mm: 0.42, front_at_mm: 40, keep_clear_mm: 0.5}}
{rail}  settle_s: 0.5
  link: {{url: "sim://bench?time_scale=inf"}}
  shutter: {{via: rail}}
"""
BODY = Body(exposure=0.6)


def shoot(folder: Path, plan: Path, journal: Path, lens: Lens, *, raw: bool) -> None:
    """A picture for each frame of a run, dated as the journal has it."""
    lines = [json.loads(line) for line in journal.read_text(encoding="utf-8").splitlines()]
    at = lines[0]["plan"]["columns"].index("rail_um")
    positions = np.array([float(row[at]) for row in lines[0]["plan"]["rows"]])
    rng = np.random.default_rng(31)
    target = slanted_edge(lens, (260, 384)) if raw else texture(lens, SHAPE, rng)
    scenes = target.frames(positions, focus_at_um=float(np.mean(positions)))
    began_s = datetime.fromisoformat(lines[0]["utc"]).timestamp()
    exposed = {line["frame"]: began_s + line["t_s"] for line in lines if line["event"] == "exposed"}
    folder.mkdir()
    for number, scene in enumerate(scenes, start=1):
        name = folder / f"shot_{number:04}.{'dng' if raw else 'jpg'}"
        if raw:
            write_dng(mosaic_of(scene[2:-2], BODY, rng), name)
        else:
            photograph(scene, name, BODY, rng)
        os.utime(name, (exposed[number], exposed[number]))


@pytest.fixture
def bench(tmp_path, monkeypatch, stacker):
    """The request, and a function that runs a target and gives the arguments of the command."""
    monkeypatch.chdir(tmp_path)

    def make(lens: Lens, *, raw: bool) -> list[str]:
        text = REQUEST.format(
            width=384 * lens.pitch_um / 1000,
            height=256 * lens.pitch_um / 1000,
            rail=rail_block(lead_mm=1, backlash_um=12),
        )
        Path("mine.yaml").write_text(text, encoding="utf-8")
        assert stacker("plan", "mine.yaml", "--target").code == 0
        ran = stacker("drive", "mine.target.plan.yaml", "--go", "--yes")
        assert ran.code == 0, ran.err
        (journal,) = Path().glob("mine.target-*.run.jsonl")
        assert ran.err.endswith(f"Next: stacker calibrate lens mine.yaml FOLDER --journal {journal}\n")
        shoot(Path("card"), Path("mine.target.plan.yaml"), journal, lens, raw=raw)
        return ["calibrate", "lens", "mine.yaml", "card", "--journal", str(journal)]

    return make


def test_a_texture_finds_the_pupil_and_the_field_and_changes_the_plan(bench, stacker):
    pytest.importorskip("matplotlib")
    lens = Lens(pupil_magnification=1.4, curvature_um=60)
    command = bench(lens, raw=False)
    before = Path("mine.yaml").read_text(encoding="utf-8")
    shown = stacker(*command, "--picture", "fit.svg")
    assert shown.code == 0, shown.err
    assert max(map(len, shown.out.splitlines())) <= 80
    assert "NA on the subject's side" in shown.out
    assert "The plan goes from" in " ".join(shown.out.split())
    assert Path("fit.svg").read_text(encoding="utf-8").count("<use") >= 9
    assert Path("mine.yaml").read_text(encoding="utf-8") == before
    done = stacker(*command, "--write", "--json")
    result = json.loads(done.out)["result"]
    asked = load_request("mine.yaml").value
    # an error of 2 % of the f-number, N (1 + m/P), is one of 4.8 % of P here
    assert asked.rig.pupil_magnification == pytest.approx(1.4, rel=0.05)
    assert asked.focus.field_curvature_um == pytest.approx(60, abs=4)
    assert result["lines"] == {
        "rig.pupil_magnification": asked.rig.pupil_magnification,
        "focus.field_curvature_um": asked.focus.field_curvature_um,
        "margins.pupil_magnification": asked.margins.pupil_magnification,
        "margins.field_curvature_um": asked.margins.field_curvature_um,
    }
    assert Path("mine.yaml").read_text(encoding="utf-8").startswith("# of the bench\n")
    assert "# marked\n" in Path("mine.yaml").read_text(encoding="utf-8")
    planned = json.loads(stacker("plan", "mine.yaml", "--json").out)["result"]["coverage"]["frame_count"]
    assert result["frames"][1] == planned
    card = " ".join(stacker("plan", "mine.yaml").out.split())
    bend, sure = asked.focus.field_curvature_um, asked.margins.field_curvature_um
    assert f"the corners are in focus {significant(bend)} +/- {sure:g} um deeper" in card
    assert (
        f"pupil magnification {asked.rig.pupil_magnification:g} +/- {asked.margins.pupil_magnification:g}, meas" in card
    )
    assert "Measured, and the ends of the 95 % intervals" in card


def test_an_edge_on_raw_files_finds_a_soft_lens(bench, stacker):
    pytest.importorskip("rawpy")
    lens = Lens(spherical_waves=0.8)
    command = bench(lens, raw=True)
    done = stacker(*command, "--edge", "--json", "--write")
    assert done.code == 0, done.err
    lines = json.loads(done.out)["result"]["lines"]
    from darkroom.runs import true_mtf50_lp_mm

    assert lines["focus.lens_mtf50_lp_mm"] == pytest.approx(true_mtf50_lp_mm(lens), rel=0.04)
    assert "focus.field_curvature_um" not in lines
    shown = stacker(*command, "--edge")
    assert "yours is softer" in " ".join(shown.out.split())
    assert "measured" in stacker("plan", "mine.yaml").out


def test_developed_pictures_are_refused_for_an_edge_and_raw_files_for_a_texture(bench, stacker):
    command = bench(Lens(), raw=False)
    done = stacker(*command, "--edge")
    assert (done.code, done.out) == (1, "")
    assert "a developed picture; demosaicing, tone curve and sharpening" in " ".join(done.err.split())
    for path in Path("card").iterdir():
        path.rename(path.with_suffix(".dng"))
    done = stacker(*command)
    assert done.code == 1
    assert "develop it in full size, all frames alike" in " ".join(done.err.split())


def test_smaller_copies_and_settings_that_change_are_refused(bench, stacker):
    from PIL import Image

    command = bench(Lens(), raw=False)
    for number, path in enumerate(sorted(Path("card").iterdir())):
        when = path.stat().st_mtime
        exif = Image.Exif()
        exif.get_ifd(0x8769)[0x8827] = 400 if number == 4 else 100  # sensitivity (EXIF 2.32, from memory)
        with Image.open(path) as image:
            image.save(path, quality=95, exif=exif)
        os.utime(path, (when, when))
    done = stacker(*command)
    assert (done.code, done.out) == (1, "")
    assert "shot_0005.jpg: found sensitivity 400, in" in " ".join(done.err.split())
    assert "most that tell it 100. A measurement needs all frames alike" in " ".join(done.err.split())
    changed = Path("card/shot_0005.jpg")
    when = changed.stat().st_mtime
    with Image.open(changed) as image:
        image.save(changed, quality=95)  # without settings; then the size is what is wrong
    os.utime(changed, (when, when))
    for path in Path("card").iterdir():
        when = path.stat().st_mtime
        with Image.open(path) as image:
            image.reduce(2).save(path)
        os.utime(path, (when, when))
    done = stacker(*command)
    assert done.code == 1
    assert "a picture of this camera has 384 x 256" in " ".join(done.err.split())


def test_frames_taken_again_come_from_journals_of_their_own(tmp_path, monkeypatch):
    """What verify makes of several journals is tested there; the simulated rail's clock is none that joins two."""

    def run(path: Path, rows: list[tuple[int, float]]) -> SimpleNamespace:
        return SimpleNamespace(path=path, past=SimpleNamespace(columns=("frame", "rail_um"), rows=rows))

    runs = {"whole": run(Path("whole"), [(1, 0.0), (2, 5.0), (3, 10.0)]), "again": run(Path("again"), [(1, 5.0)])}
    files = {1: ["a.jpg"], 2: ["c.jpg"], 3: ["b.jpg"]}  # the second frame was taken again, and numbered last
    told = [SimpleNamespace(main="whole", files=files)]
    monkeypatch.setattr("stacker.verifying.shots.read_run", lambda path: runs[path.name])
    monkeypatch.setattr("stacker.verifying.folder.read_folder", lambda _: None)
    monkeypatch.setattr("stacker.verifying.verify.verify", lambda *_: tuple(told))
    found = pictures_of_run(tmp_path, [Path("again"), Path("whole")], raw=False)
    assert [(one.path.name, one.position_um) for one in found] == [("a.jpg", 0.0), ("c.jpg", 5.0), ("b.jpg", 10.0)]
    told.append(told[0])
    with pytest.raises(Refusal, match="these journals are of 2 stacks; name one run"):
        pictures_of_run(tmp_path, [Path("again"), Path("whole")], raw=False)
