"""A measuring run, a rendered camera across the rail, and what ``calibrate rail --across`` finds."""

from __future__ import annotations

import json
import os
import shutil
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from darkroom.across import Bench
from darkroom.camera import Body
from darkroom.carriage import Carriage
from darkroom.ruler import Ruler
from PIL import Image

from stacker.cli.main import main
from stacker.documents.journal_lines import FORMAT, line_of
from stacker.documents.loading import load_rail
from stacker.documents.measuring_run import COLUMNS, rows_of, stops_of
from stacker.driving.measure_stops import measure_stops

PROFILE = """\
# my rail
name: Bench
travel_mm: 40
soft_limits_mm: [1, 39]
full_steps_per_turn: 200
microsteps_per_full_step: 16
lead_mm: 0.5   # as bought
speed_mm_s: 3
acceleration_mm_s2: 15
backlash_um: 12
settle_s: 0.8
link: {url: "sim://across?time_scale=inf"}
"""
MEASURE = ("drive", "rail.yaml", "--measure", "--travel-mm", "2.3")
REQUEST = """\
rig: {kind: measured, magnification: 1, f_number: 4}
camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}
light: {kind: flash, exposure_s: 0.005}
subject: {depth_mm: 4}
rail: rail.yaml
"""
TRUE = Carriage(lead_mm=0.5, deviation=0.003, full_step_um=2.5, microstep_um=0.3, swing_um=12, tau_s=0.12)
UM_PER_PX = 5.0


def journal_lines(folder: Path) -> list[dict]:
    (journal,) = folder.glob("rail-*.run.jsonl")
    return [json.loads(line) for line in journal.read_text(encoding="utf-8").splitlines()]


def photograph_run(folder: Path, bench: Bench, true: Carriage, seed: int, *, fast: bool) -> None:
    """A picture of each exposure in a journal, dated as that has it; by the stops and delays as they really were."""
    lines = journal_lines(folder)
    stops = stops_of(lines[0]["plan"]["columns"], lines[0]["plan"]["rows"])
    exposed = {line["frame"]: line for line in lines if line["event"] == "exposed"}
    delay_s = np.array([exposed[number]["delay_s"] for number in sorted(exposed)])
    rng = np.random.default_rng(seed)
    microstep_um = 500 / 3200
    at_um = true.places_um(stops, microstep_um, delay_s, rng)
    began_s = datetime.fromisoformat(lines[0]["utc"]).timestamp()
    card = folder / "card"
    card.mkdir()
    for number, place in enumerate(at_um - np.mean(at_um), start=1):
        if fast:  # noise of the sensor alone, without its mosaic
            scene = bench.scene(place) + rng.normal(0, 0.006, bench.shape)
            grey = np.rint(255 * np.clip(scene, 0, 1) ** (1 / 2.2)).astype(np.uint8)
        else:
            grey = bench.photograph(place, rng)
        name = card / f"shot_{number:04}.jpg"
        Image.fromarray(grey).save(name, quality=92)
        when = began_s + exposed[number]["t_s"]
        os.utime(name, (when, when))


SHAPE = (112, 210)
SEEN = Bench(shape=SHAPE, um_per_px=UM_PER_PX, travel_um=1300, seed=3, yaw_deg=1, roll_deg=2)


def make_run(folder: Path) -> None:
    """A run on the simulated rail, by the command."""
    (folder / "rail.yaml").write_text(PROFILE, encoding="utf-8")
    before = Path.cwd()
    os.chdir(folder)
    try:
        with pytest.raises(SystemExit) as stopped:
            main([*MEASURE, "--go", "--yes", "--quiet"])
        assert not stopped.value.code
    finally:
        os.chdir(before)


def write_run(folder: Path, *, exposure_s: float = 0.005) -> None:
    """The journal that such a run leaves, without the run: two seconds less."""
    (folder / "rail.yaml").write_text(PROFILE, encoding="utf-8")
    rail = load_rail(folder / "rail.yaml").value
    stops = measure_stops(rail, travel=round(2300 / rail.microstep_um), settle_s=1.6)
    head = {
        "event": "run",
        "stacker_journal": FORMAT,
        "utc": "2031-05-04T20:00:00.000+00:00",
        "run": "r",
        "plan": {
            "digest": "d",
            "columns": COLUMNS,
            "rows": rows_of(stops, microstep_um=rail.microstep_um, exposure_s=exposure_s),
        },
        "profile_digest": "p",
        "microsteps_per_mm": 1000 / rail.microstep_um,
        "kind": "measure",
        "frames": list(range(1, len(stops) + 1)),
        "front_at_microsteps": 128_000,
        "boot": 1,
        "t_s": 0.0,
    }
    lines, now_s, rng = [head], 1.0, np.random.default_rng(1)
    for frame, stop in enumerate(stops, start=1):
        now_s += rng.uniform(1, 3) + stop.wait_s
        about = {"frame": frame, "shot": frame}
        lines.append({"event": "intent", **about, "position_microsteps": 128_000 + stop.position, "t_s": now_s - 0.5})
        lines.append({"event": "exposed", **about, "delay_s": round(stop.wait_s + 0.004, 4), "t_s": now_s})
        lines.append({"event": "confirmed", **about, "evidence": "pulse", "t_s": now_s + 0.01})
    (folder / "rail-20310504-200000Z.run.jsonl").write_bytes(b"".join(map(line_of, lines)))


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """The journal of a run and its pictures, for all tests."""
    folder = tmp_path_factory.mktemp("across")
    write_run(folder)
    photograph_run(folder, SEEN, TRUE, 3, fast=True)
    return folder


@pytest.fixture
def bench(made, tmp_path, monkeypatch) -> Path:
    """A copy of them in the folder of this test, with the pictures in ``card``."""
    folder = tmp_path / "bench"
    shutil.copytree(made, folder)
    monkeypatch.chdir(folder)
    return folder


def command(*more: str) -> list[str]:
    (journal,) = Path().glob("rail-*.run.jsonl")
    return ["calibrate", "rail", "rail.yaml", "--across", "card", "--journal", str(journal), *more]


def test_a_whole_measurement_finds_the_truth_and_writes_it(bench, stacker):
    pytest.importorskip("matplotlib")
    ruler = Ruler(shape=SHAPE, spacing_px=100 / UM_PER_PX / 2, lengths=((1, 3.5),), width=0.2, digits=False)
    scene = ruler.scene(np.random.default_rng(2))
    Image.fromarray(np.rint(255 * np.clip(scene, 0, 1) ** (1 / 2.2)).astype(np.uint8)).save("ruler.png")
    Path("mine.yaml").write_text(REQUEST, encoding="utf-8")
    done = stacker(
        *command("--ruler", "ruler.png", "--line-mm", "0.05", "--request", "mine.yaml", "--picture", "rail.svg"),
        "--write",
    )
    assert done.code == 0, done.err
    assert max(map(len, done.out.splitlines())) <= 80
    told = " ".join(done.out.split())
    assert "152 of 152 pictures were read" in told
    assert "The plan keeps its" in told
    assert done.err.endswith("Next: stacker plan mine.yaml\n")
    assert Path("rail.svg").stat().st_size > 50_000
    text = Path("rail.yaml").read_text(encoding="utf-8")
    assert text.startswith("# my rail\n")
    assert "# as bought" in text
    rail = load_rail("rail.yaml").value
    # what is asked for of periodic error and backlash; what is written of settling is the end of its interval
    assert rail.periodic_error_um == pytest.approx(2.5, abs=0.4)
    assert rail.backlash_um == pytest.approx(14, abs=0.3)
    assert 1 < rail.settle_s / TRUE.settle_s(0.5) < 1.4
    # 1 um of ruler over the 0.8 mm that were seen: the lead to 0.12 %, and thrice that is never missed
    assert rail.lead_mm == pytest.approx(0.5 * 1.003, rel=3 * 0.0012)
    assert 0.002 < rail.lead_error < 0.004
    # amplitude over sqrt(2) is the root mean square, that times sqrt(3) the bound; of a full step of 2.5 um
    assert rail.microstep_error == pytest.approx(0.3 * np.sqrt(3 / 2) / 2.5, abs=0.06)
    assert 0.15 < rail.repeatability_um < 0.5


def test_a_shutter_open_for_longer_than_a_swing_tells_no_settling_time(bench, stacker):
    write_run(bench, exposure_s=0.3)
    done = stacker(*command("--um-per-pixel", "5"))
    assert done.code == 0, done.err
    assert "settle_s" not in done.out
    assert "the shutter was open for 0.3 s, in which a swing averages out" in " ".join(done.out.split())


def test_a_camera_whose_settings_changed_during_the_run_is_refused(bench, stacker):
    """A zoom that was touched is another scale, and would be taken for the rail's error."""
    assert "152 of 152 files do not tell the camera's settings" in " ".join(
        stacker(*command("--um-per-pixel", "5")).out.split()
    )
    for number, focal_length_mm in ((3, 100), (4, 100), (9, 105)):
        path = Path(f"card/shot_{number:04}.jpg")
        written = path.stat().st_mtime
        with Image.open(path) as picture:
            exif = picture.getexif()
            exif.get_ifd(0x8769)[0x920A] = focal_length_mm  # EXIF 2.32, table 8: FocalLength
            picture.save(path, quality=95, exif=exif)
        os.utime(path, (written, written))
    done = stacker(*command("--um-per-pixel", "5"))
    assert (done.code, done.out) == (1, "")
    told = " ".join(done.err.split())
    assert "shot_0009.jpg: found focal length in mm 105, in" in told
    assert "take the run again" in told


def test_pictures_that_do_not_match_the_journal_are_refused(bench, stacker):
    Path("card/shot_0070.jpg").unlink()
    done = stacker(*command("--um-per-pixel", "5"))
    assert (done.code, done.out) == (1, "")
    told = " ".join(done.err.split())
    assert "the run made 152 exposures, and of 151 pictures" in told
    assert "make the run again" in told
    (journal,) = Path().glob("rail-*.run.jsonl")
    seen = stacker("verify", "card", "--journal", journal)  # the command that it names, which must not name another
    assert seen.code == 1
    assert "stacker drive" not in seen.err
    assert "make the measuring run again" in seen.err
    for path in Path("card").iterdir():
        path.rename(path.with_suffix(".dng"))
    assert "develop them" in " ".join(stacker(*command("--um-per-pixel", "5")).err.split())


def test_a_journal_of_another_kind_or_cut_short_is_refused(bench, stacker, plan, url):
    (journal,) = Path().glob("rail-*.run.jsonl")
    lines = journal.read_bytes().splitlines(keepends=True)
    Path("cut.jsonl").write_bytes(b"".join(lines[:-40]))
    arguments = ["calibrate", "rail", "rail.yaml", "--across", "card", "--um-per-pixel", "5", "--journal"]
    done = stacker(*arguments, "cut.jsonl")
    assert (done.code, "the run ended early" in done.err) == (1, True)
    ends = ("--ends", "--go", "--yes", "--front-at-mm", "40", "--journal", "ends.jsonl", "--url", url)
    ran = stacker("drive", plan, *ends)
    assert ran.code == 0, ran.err
    done = stacker(*arguments, "ends.jsonl")
    assert (done.code, "not of a measuring run" in done.err) == (1, True)


@pytest.mark.campaign
def test_cameras_and_carriages_that_differ(tmp_path, monkeypatch, stacker):
    """The whole way through mosaic, JPEG and a tilted camera; the truth lies within one and a half of the margins."""
    make_run(tmp_path)
    monkeypatch.chdir(tmp_path)
    for seed in range(4):
        rng = np.random.default_rng((seed, 50))
        seen = Bench(
            shape=(128, 256),
            um_per_px=UM_PER_PX,
            travel_um=1300,
            seed=seed,
            yaw_deg=rng.uniform(-3, 3),
            pitch_deg=rng.uniform(-2, 2),
            roll_deg=rng.uniform(-5, 5),
            target_deg=rng.uniform(-1.5, 1.5),
            body=Body(full_well_e=float(rng.choice([5000, 30_000])), quality=int(rng.choice([85, 92]))),
        )
        true = Carriage(
            lead_mm=0.5,
            deviation=rng.normal(0, 0.003),
            periodic_um=rng.uniform(1.5, 4),
            backlash_um=rng.uniform(5, 40),
            microstep_um=0.3,
            full_step_um=2.5,
            swing_um=rng.uniform(6, 20),
            tau_s=rng.uniform(0.06, 0.2),
        )
        shutil.rmtree("card", ignore_errors=True)
        photograph_run(Path(), seen, true, seed, fast=False)
        done = stacker(*command("--um-per-pixel", f"{seen.scale_um_per_px:.6f}", "--json"))
        assert done.code == 0, done.err
        result = json.loads(done.out)["result"]
        print({key: round(result[key]["value"], 4) for key in ("lead_mm", "backlash_um", "settle_s")}, true)
        for key, truth in (
            ("lead_mm", 0.5 * (1 + true.deviation)),
            ("periodic_error_um", true.periodic_um),
            ("backlash_um", true.backlash_um),
            ("settle_s", true.settle_s(0.5)),
        ):
            assert abs(result[key]["value"] - truth) < 1.5 * result[key]["margin_95"], (seed, key)
        assert result["reading_error_um"] < 0.15
