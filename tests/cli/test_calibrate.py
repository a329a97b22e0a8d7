import json
from pathlib import Path

import numpy as np
import pytest

from stacker.cli.main import main
from stacker.documents.loading import load_rail, load_request
from stacker.documents.templates import template

PROFILE = """\
# my rail, as bought
name: Bench rail
travel_mm: 80
soft_limits_mm: [2, 78]   # stay off the ends
full_steps_per_turn: 200
microsteps_per_full_step: 16
lead_mm: 2        # by its maker
speed_mm_s: 3
acceleration_mm_s2: 15
backlash_um: 30   # a guess
"""
HAND = "travel_mm: 25\nsoft_limits_mm: [0.5, 24.5]\ndial: {mm_per_turn: 0.5, divisions: 50}  # from above\n"


def readings(folder, *, lead_mm=2.0, backlash_mm=0.018, amplitude_mm=0.004, deviation=0.002, sigma_mm=0.001):
    rng = np.random.default_rng(12)
    turns = 5 + np.arange(32) / 8
    lines = ["position_mm,reading_mm,approached"]
    for word, places, lost_mm in (("up", turns, 0.0), ("down", turns[::-1], backlash_mm)):
        for turn in places:
            shown = lead_mm * (1 + deviation) * turn + amplitude_mm * np.sin(2 * np.pi * turn) + lost_mm
            lines.append(f"{turn * lead_mm:.4f},{shown - 9 + rng.normal(0, sigma_mm):.4f},{word}")
    (folder / "readings.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("rail.yaml").write_text(PROFILE, encoding="utf-8")
    Path("lens.yaml").write_text(template("lens"), encoding="utf-8")
    readings(tmp_path)
    return tmp_path


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as stopped:
        main(["calibrate", *map(str, arguments)])
    seen = capsys.readouterr()
    return stopped.value.code, seen.out, seen.err


def test_the_rail_is_told_with_intervals_and_lines_and_nothing_is_written(bench, capsys):
    code, out, err = run(capsys, "rail", "rail.yaml", "readings.csv")
    assert code == 0
    assert "um a millimetre against the profile)" in out
    assert "Lines for rail.yaml:" in out
    assert err.splitlines()[-1].startswith("Next: stacker plan")
    assert Path("rail.yaml").read_text(encoding="utf-8") == PROFILE
    assert all(len(line) <= 80 for line in out.splitlines())


def test_the_rail_is_written_value_by_value_and_every_comment_stays(bench, capsys):
    code, out, _ = run(capsys, "rail", "rail.yaml", "readings.csv", "--write", "--json")
    lines = json.loads(out)["result"]["lines"]
    assert code == 0
    assert list(lines) == ["lead_mm", "lead_error", "periodic_error_um", "backlash_um", "repeatability_um"]
    before, after = PROFILE.splitlines(), Path("rail.yaml").read_text(encoding="utf-8").splitlines()
    changed = [(old, new) for old, new in zip(before, after, strict=False) if old != new]
    assert [old.split(":")[0] for old, _ in changed] == ["lead_mm", "backlash_um"]
    assert all(old.partition("#")[2] == new.partition("#")[2] for old, new in changed)
    assert [line.split(":")[0] for line in after[len(before) :]] == [
        "lead_error",
        "periodic_error_um",
        "repeatability_um",
    ]
    rail = load_rail("rail.yaml").value
    assert {key: getattr(rail, key) for key in lines} == lines
    # 64 readings of 1 um over 8 mm: the lead to 1e-4 mm, amplitude and backlash to 0.25 um, scatter to 0.09 um; five
    # standard errors of each.
    assert rail.lead_mm == pytest.approx(2.004, abs=0.001)
    assert rail.backlash_um == pytest.approx(18, abs=1.3)
    assert rail.periodic_error_um == pytest.approx(4, abs=0.9)
    assert rail.repeatability_um == pytest.approx(1, abs=0.45)


def test_windows_line_ends_and_a_byte_order_mark_stay(bench, capsys):
    data = b"\xef\xbb\xbf" + PROFILE.replace("\n", "\r\n").encode()
    Path("rail.yaml").write_bytes(data)
    assert run(capsys, "rail", "rail.yaml", "readings.csv", "--write")[0] == 0
    after = Path("rail.yaml").read_bytes()
    assert after.startswith(b"\xef\xbb\xbf# my rail, as bought\r\n")
    assert after.count(b"\n") == after.count(b"\r\n") == PROFILE.count("\n") + 3


def test_a_hand_rail_gets_its_dial(bench, capsys):
    Path("rail.yaml").write_text(HAND, encoding="utf-8")
    readings(bench, lead_mm=0.5)
    assert run(capsys, "rail", "rail.yaml", "readings.csv", "--write")[0] == 0
    # what the readings were made with: 0.5 mm and a deviation of 0.002; noise of 1 um over 2 mm read
    assert load_rail("rail.yaml").value.dial.mm_per_turn == pytest.approx(0.501, abs=0.0005)
    assert "# from above" in Path("rail.yaml").read_text(encoding="utf-8")


def test_the_indicator_adds_to_the_lead_error(bench, capsys):
    plain = json.loads(run(capsys, "rail", "rail.yaml", "readings.csv", "--json")[1])["result"]["lines"]
    worse = json.loads(run(capsys, "rail", "rail.yaml", "readings.csv", "--json", "--indicator-error-um", "8")[1])[
        "result"
    ]["lines"]
    # By hand: 8 um over the 7.75 mm that were read; rounded up to two digits.
    assert worse["lead_error"] == pytest.approx(np.hypot(plain["lead_error"], 8 / 7750), rel=0.1)


def test_readings_at_whole_turns_are_refused_with_the_reason(bench, capsys):
    rows = [f"{2 * turn},{2 * turn},{side}" for side in ("up", "down") for turn in range(5, 25)]
    Path("readings.csv").write_text("position_mm,reading_mm,approached\n" + "\n".join(rows), encoding="utf-8")
    code, out, err = run(capsys, "rail", "rail.yaml", "readings.csv", "--write")
    assert (code, out) == (1, "")
    assert "readings.csv: the readings approached upward" in err
    assert "cannot tell periodic error from lead" in err
    assert Path("rail.yaml").read_text(encoding="utf-8") == PROFILE


def test_swapped_sides_are_found_out(bench, capsys):
    readings(bench, backlash_mm=-0.018)
    code, _, err = run(capsys, "rail", "rail.yaml", "readings.csv")
    assert code == 1
    assert "up and down are swapped" in err


def test_the_picture_is_drawn(bench, capsys):
    pytest.importorskip("matplotlib")
    assert run(capsys, "rail", "rail.yaml", "readings.csv", "--picture", "screw.svg")[0] == 0
    assert Path("screw.svg").read_text(encoding="utf-8").count("<path") > 50
    code, _, err = run(capsys, "rail", "rail.yaml", "readings.csv", "--picture", "screw.txt")
    assert code == 1
    assert "end the name in .svg" in err


@pytest.mark.parametrize("name", ["screw.svg", "screw.png", "screw.pdf"])
def test_a_picture_is_drawn_over_an_older_one_of_its_kind_and_nothing_else(bench, capsys, name):
    pytest.importorskip("matplotlib")
    draw = ("rail", "rail.yaml", "readings.csv", "--picture", name)
    Path(name).write_bytes(b"the only picture of my first beetle")
    code, _, err = run(capsys, *draw)
    assert (code, f"{name} exists and is no picture of this command" in err) == (1, True)
    assert Path(name).read_bytes() == b"the only picture of my first beetle"
    Path(name).write_bytes(b"")
    assert [run(capsys, *draw)[0] for _ in range(2)] == [0, 0]
    Path(name).unlink()
    Path(name).mkdir()
    assert run(capsys, *draw)[0] == 1


def test_the_scale_of_a_lens_and_its_pupil(bench, capsys):
    arguments = ("scale", "lens.yaml", "--ruler-mm", "20", "--pixels", "4210")
    code, out, err = run(capsys, *arguments, "--moved-mm", "20", "--pixels-after", "3560")
    assert code == 0
    # By hand: 4210 * 23.5/6000 / 20 = 0.8245; u = 20 * 3560/650 = 109.5 mm.
    assert "0.8245 +/- 0.0018  magnification" in out
    assert "109.5 +/- " in out
    assert err.endswith("Next: stacker plan lens.yaml\n")


def test_the_scale_is_written_value_by_value_and_every_comment_stays(bench, capsys):
    arguments = ("scale", "lens.yaml", "--ruler-mm", "20", "--pixels", "4210", "--write")
    assert run(capsys, *arguments, "--moved-mm", "20", "--pixels-after", "3560", "--quiet")[:2] == (0, "")
    asked = load_request("lens.yaml").value
    assert asked.rig.measured_magnification == pytest.approx(0.8245, abs=1e-4)
    before, after = template("lens"), Path("lens.yaml").read_text(encoding="utf-8")
    assert before.count("#") == after.count("#")
    kept = [line for line in before.splitlines() if "pupil_magnification" not in line]
    assert [line for line in after.splitlines() if line in kept] == kept


@pytest.mark.parametrize(
    ("kind", "key"),
    [
        ("reversed", "rig.field_width_mm"),
        ("measured", "rig.field_width_mm"),
        ("objective", "rig.measured_magnification"),
        ("coupled", "rig.measured_magnification"),
    ],
)
def test_each_kind_of_rig_gets_its_own_key(bench, capsys, kind, key):
    Path("rig.yaml").write_text(template(kind), encoding="utf-8")
    _, out, _ = run(capsys, "scale", "rig.yaml", "--ruler-mm", "8", "--pixels", "5000", "--json", "--write")
    lines = json.loads(out)["result"]["lines"]
    # By hand: 5000 of 6000 pixels span 8 mm, so the field is 9.6 mm and m = 23.5/9.6.
    assert lines.pop(f"margins.{key.partition('.')[2]}") > 0
    assert lines == {key: pytest.approx(9.6 if "field" in key else 23.5 / 9.6, rel=1e-3)}
    assert load_request("rig.yaml").value.rig.kind == kind


@pytest.mark.parametrize(("close_up", "written"), [("", True), (", close_up_dioptres: 5", False)])
def test_the_pupil_of_a_lens_behind_a_close_up_lens_is_not_taken_for_the_lens_itself(bench, capsys, close_up, written):
    Path("rig.yaml").write_text(
        f"rig: {{kind: lens, focal_length_mm: 100, f_number: 8, max_magnification: 1{close_up}}}\n"
        "camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}\nsubject: {depth_mm: 1}\n",
        encoding="utf-8",
    )
    arguments = ("--ruler-mm", "20", "--pixels", "4210", "--moved-mm", "20", "--pixels-after", "3800")
    code, out, _ = run(capsys, "scale", "rig.yaml", *arguments, "--json")
    assert code == 0
    assert ("rig.pupil_magnification" in json.loads(out)["result"]["lines"]) == written
    _, out, _ = run(capsys, "scale", "rig.yaml", *arguments)
    assert ("what was found is of the pair" in " ".join(out.split())) == (not written)


@pytest.mark.parametrize("kind", ["measured", "objective", "coupled", "lens"])
def test_the_entrance_pupil_goes_where_the_rig_has_a_key_for_it(bench, capsys, kind):
    Path("rig.yaml").write_text(template(kind), encoding="utf-8")
    arguments = ("--ruler-mm", "2", "--pixels", "4210", "--moved-mm", "20", "--pixels-after", "3800", "--write")
    code, out, err = run(capsys, "scale", "rig.yaml", *arguments)
    assert code == 0, err
    if kind == "lens":
        assert "The entrance pupil is not written: it follows from focal length" in " ".join(out.split())
    else:
        # by hand: 20 * 3800/410 = 185.4 mm
        assert load_request("rig.yaml").value.rig.entrance_pupil_mm == pytest.approx(185.4, abs=0.2)


def test_a_misread_line_is_named_and_nothing_is_written(bench, capsys):
    rows = Path("readings.csv").read_text(encoding="utf-8").splitlines()
    Path("good.csv").write_text("\n".join(rows[:4] + rows[5:]) + "\n", encoding="utf-8")
    place, shown, side = rows[4].split(",")
    rows[4] = f"{place},{float(shown) + 1:.4f},{side}"  # one turn of the indicator's small hand
    Path("readings.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    code, _, err = run(capsys, "rail", "rail.yaml", "readings.csv", "--write")
    assert (code, "nothing was written: line 5 lies far from the fit" in err) == (1, True)
    assert Path("rail.yaml").read_text(encoding="utf-8") == PROFILE
    code, out, err = run(capsys, "rail", "rail.yaml", "readings.csv")
    assert (code, "Lines for rail.yaml:" in out, "perhaps misread: line 5" in err) == (0, True, True)
    _, good, _ = run(capsys, "rail", "rail.yaml", "good.csv")  # the file with that line deleted says the same
    lead, periodic, backlash = (line.split("  ")[0] for line in good.splitlines()[:3])
    assert f"Without it:\n  lead {lead} mm\n  periodic error {periodic} um\n  backlash {backlash} um\n" in err
    assert "Read it again, or delete the line" in err


@pytest.mark.parametrize("backlash_mm", [0.0, 0.0001])
def test_where_backlash_is_not_clear_of_zero_what_it_may_be_is_taken(bench, capsys, backlash_mm):
    """Nothing is clipped to 0: then there would be no take-up, and the screw may have some play all the same."""
    readings(bench, backlash_mm=backlash_mm)
    code, out, err = run(capsys, "rail", "rail.yaml", "readings.csv", "--json")
    result = json.loads(out)["result"]
    assert code == 0
    assert result["lines"]["backlash_um"] > 1000 * backlash_mm
    # noise of 1 um on 64 readings leaves the difference of the sides uncertain by 2 * 1/sqrt(64) = 0.25 um, twice that
    # for an interval of 95 %
    assert result["lines"]["backlash_um"] < 1000 * backlash_mm + 4 * 0.25
    assert "cannot be told from zero" in err


@pytest.mark.parametrize(("ruler_mm", "told"), [("15", False), ("1.5", True), ("150", True)])
def test_a_ruler_in_another_unit_is_asked_about(bench, capsys, ruler_mm, told):
    _, _, err = run(capsys, "scale", "lens.yaml", "--ruler-mm", ruler_mm, "--pixels", "4210")
    assert ("Is the ruler's length in mm" in err) == told


def test_faults_of_use(bench, capsys):
    code, _, err = run(capsys, "scale", "lens.yaml", "--ruler-mm", "10", "--pixels", "7000")
    assert (code, "6000 columns" in err) == (1, True)
    code, _, err = run(capsys, "scale", "lens.yaml", "--ruler-mm", "10", "--pixels", "700", "--moved-mm", "3")
    assert (code, "together" in err) == (2, True)


def test_a_rig_in_a_file_of_its_own_is_named_instead(bench, capsys):
    text = template("measured")
    start, end = text.index("rig:"), text.index("camera:")
    Path("rig.yaml").write_text(
        "\n".join(line[2:] for line in text[start:end].splitlines()[1:]) + "\n", encoding="utf-8"
    )
    Path("whole.yaml").write_text(text[:start] + "rig: rig.yaml\n" + text[end:], encoding="utf-8")
    whole = Path("whole.yaml").read_bytes()
    code, _, err = run(capsys, "scale", "whole.yaml", "--ruler-mm", "8", "--pixels", "5000", "--write")
    assert (code, "file of its own" in err) == (1, True)
    assert Path("whole.yaml").read_bytes() == whole
