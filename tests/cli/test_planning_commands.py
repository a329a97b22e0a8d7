"""The commands before the first frame, as a person types them: exit codes, both streams, 80 columns, JSON."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

GOOD = (
    "rig: {kind: measured, magnification: 0.87, f_number: 5.6}\n"
    "camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}\nsubject: {depth_mm: 3.4}\n"
)


@pytest.fixture
def request_file(tmp_path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = Path("weevil.yaml")
    path.write_text(GOOD, encoding="utf-8")
    return path


def test_plan_writes_beside_the_request_prints_the_card_and_names_the_next_command(stacker, request_file):
    done = stacker("plan", request_file)
    assert done.code == 0
    assert done.out.startswith("weevil: ")
    assert "Before the first frame:" in done.out
    assert done.err == "Plan written to weevil.plan.yaml\nNext: stacker export weevil.plan.yaml --format csv\n"
    assert Path("weevil.plan.yaml").exists()


def test_nothing_checks_the_limits_of_a_hand_rail_and_the_card_says_so(stacker, plans, tmp_path):
    def card(request):
        return " ".join(stacker("plan", plans / request, "-o", tmp_path / "x.plan.yaml").out.split())

    assert "front not yet placed: see yourself that all stops lie within 1 to 39 mm" in card("calcite_by_hand.yaml")
    assert "front not yet placed: limits are checked when the run starts" in card("seed_head_bellows.yaml")


def test_the_card_names_every_check_before_the_first_frame(stacker, request_file):
    card = stacker("plan", request_file).out
    for word in (
        "white balance",
        "flash power",
        "sleep",
        "stabiliser",
        "eyepiece",
        "cable",
        "tilted",
        "framed loosely",
    ):
        assert word in card, word


def test_set_changes_the_plan_and_not_the_request(stacker, request_file):
    stacker("plan", request_file, "--set", "focus.overlap=0.5", "-o", "half.plan.yaml")
    assert "overlap: 0.5\n" in Path("half.plan.yaml").read_text(encoding="utf-8")
    assert request_file.read_text(encoding="utf-8") == GOOD
    assert not Path("weevil.plan.yaml").exists()


def test_a_value_that_is_only_tried_leaves_the_plan_alone(stacker, request_file):
    assert stacker("plan", request_file).code == 0
    before = Path("weevil.plan.yaml").read_bytes()
    tried = stacker("plan", request_file, "--set", "focus.overlap=0.5")
    assert "50% overlap at least" in tried.out
    assert "Only tried; nothing was written." in tried.err
    assert Path("weevil.plan.yaml").read_bytes() == before
    assert (
        json.loads(stacker("plan", request_file, "--set", "focus.overlap=0.5", "--json").out)["result"]["path"] is None
    )


@pytest.mark.parametrize(
    ("rail", "follow"),
    [
        ("null", "stacker export tried.plan.yaml --format csv"),
        ("{dial: {mm_per_turn: 1, divisions: 100}, travel_mm: 80, soft_limits_mm: [0, 80]}", "drive tried.plan.yaml"),
    ],
)
def test_the_next_step_of_a_plan_without_a_motor_works(stacker, request_file, rail, follow):
    told = stacker("plan", request_file, "--set", f"rail={rail}", "-o", "tried.plan.yaml").err
    assert follow in told
    assert stacker(*told.partition("Next: stacker ")[2].split()).code == 0


def test_a_plan_is_never_written_over_its_request(stacker, request_file):
    done = stacker("plan", request_file, "-o", request_file)
    assert (done.code, request_file.read_text(encoding="utf-8")) == (1, GOOD)
    assert "is the request itself" in done.err


def test_a_refusal_names_file_line_and_key_and_leaves_the_old_plan(stacker, request_file):
    stacker("plan", request_file)
    before = Path("weevil.plan.yaml").read_bytes()
    request_file.write_text(GOOD.replace("5.6}", "5.6, working_distance_mm: 3}"), encoding="utf-8")
    done = stacker("plan", request_file)
    assert done.code == 1
    assert done.err.startswith(
        "weevil.yaml:3:21: subject.depth_mm: the rig would run 0.629 mm past the front of the subject"
    )
    assert Path("weevil.plan.yaml").read_bytes() == before


def test_quiet_prints_nothing(stacker, request_file):
    done = stacker("plan", request_file, "--quiet")
    assert (done.code, done.out, done.err) == (0, "", "")


def test_json_of_a_plan_holds_what_the_file_holds(stacker, request_file):
    document = json.loads(stacker("plan", request_file, "--json").out)
    assert document["stacker_json"] == 1
    assert document["command"] == "plan"
    assert document["result"]["coverage"]["frame_count"] > 1
    assert document["result"]["digest"] in Path("weevil.plan.yaml").read_text(encoding="utf-8")


def test_json_of_a_fault_lists_each(stacker, request_file):
    request_file.write_text(GOOD.replace("3.4", "3,4").replace("5.6", "f/8"), encoding="utf-8")
    done = stacker("plan", request_file, "--json")
    faults = json.loads(done.out)["error"]["faults"]
    assert done.code == 2
    assert [(fault["line"], fault["key"]) for fault in faults] == [(1, "rig.f_number"), (3, "subject.depth_mm")]


def test_bad_usage_is_json_too(stacker):
    done = stacker("plan", "--json")
    assert done.code == 2
    assert json.loads(done.out)["error"]["code"] == "usage"


def test_check_tells_the_kind_of_each_file_and_all_faults_of_all(stacker, request_file, plans):
    done = stacker("check", request_file, plans / "rails" / "bench.yaml", plans / "leaf_beetle.plan.yaml")
    assert done.code == 0
    assert [line.rpartition(" ")[2] for line in done.out.splitlines()] == ["request", "rail", "plan"]
    Path("a.yaml").write_text(GOOD.replace("3.4", "3,4"), encoding="utf-8")
    Path("b.yaml").write_text("travel_mm: 8 cm\n", encoding="utf-8")
    done = stacker("check", "a.yaml", "b.yaml")
    assert done.code == 2
    assert "a.yaml:3:21: subject.depth_mm" in done.err
    assert "b.yaml:1:12: travel_mm" in done.err


def test_new_writes_a_file_once(stacker, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert stacker("new", "lens", "-o", "mine.yaml").code == 0
    before = Path("mine.yaml").read_bytes()
    again = stacker("new", "reversed", "-o", "mine.yaml")
    assert (again.code, Path("mine.yaml").read_bytes()) == (1, before)
    assert stacker("plan", "mine.yaml").code == 0


@pytest.mark.parametrize("kind", ["lens", "reversed", "coupled", "objective", "measured", "bellows"])
def test_every_new_request_can_be_planned_as_it_is(stacker, tmp_path, monkeypatch, kind):
    monkeypatch.chdir(tmp_path)
    Path("mine.yaml").write_text(stacker("new", kind).out, encoding="utf-8")
    assert stacker("plan", "mine.yaml").code == 0


LAMP = "light: {kind: continuous, exposure_s: 2}\n"


@pytest.mark.parametrize("command", ["plan", "apertures"])
def test_a_lamps_exposure_that_does_not_follow_another_f_number_is_told(stacker, request_file, command):
    request_file.write_text(GOOD + LAMP, encoding="utf-8")
    done = stacker(command, request_file, "--set", "rig.f_number=8")
    told = " ".join(done.err.split())
    assert done.code == 0
    assert told.startswith("light.exposure_s stays at 2 s whatever rig.f_number is set to.")
    assert "light.at_f_number" in told
    assert all(len(line) <= 80 for line in done.err.splitlines())


@pytest.mark.parametrize(
    ("light", "changes"),
    [
        (LAMP, ["focus.overlap=0.4"]),
        (LAMP, ["rig.f_number=8", "light.exposure_s=4"]),
        (LAMP, ["rig.f_number=8", "light.at_f_number=5.6"]),
        (LAMP.replace("2}", "2, at_f_number: 5.6}"), ["rig.f_number=8"]),
        ("light: {kind: flash, exposure_s: 0.005}\n", ["rig.f_number=8"]),
        ("", ["rig.f_number=8"]),
    ],
)
def test_an_exposure_that_is_taken_care_of_brings_no_remark(stacker, request_file, light, changes):
    request_file.write_text(GOOD + light, encoding="utf-8")
    done = stacker("plan", request_file, *(word for change in changes for word in ("--set", change)))
    assert done.err.startswith("Only tried; nothing was written.")


def test_two_coupled_lenses_have_no_marked_f_number_to_meter_at(stacker, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    text = stacker("new", "coupled").out.replace("kind: flash ", "kind: continuous ")
    Path("mine.yaml").write_text(text, encoding="utf-8")
    told = " ".join(stacker("plan", "mine.yaml", "--set", "rig.front_f_number=5.6").err.split())
    assert "whatever rig.front_f_number is set to" in told
    assert "set light.exposure_s too." in told
    assert "at_f_number" not in told


@pytest.mark.parametrize("kind", ["lens", "reversed", "measured", "bellows"])
def test_a_new_request_leaves_the_largest_silent_assumption_to_be_seen(stacker, tmp_path, monkeypatch, kind):
    monkeypatch.chdir(tmp_path)
    text = stacker("new", kind).out
    Path("mine.yaml").write_text(text, encoding="utf-8")
    told = stacker("plan", "mine.yaml").out
    assert "rig.pupil_magnification" in told.partition("Assumed")[2]
    # taken out of its comment it is what the person says
    Path("mine.yaml").write_text(text.replace("# pupil_magnification", "pupil_magnification"), encoding="utf-8")
    assert "rig.pupil_magnification" not in stacker("plan", "mine.yaml").out


@pytest.mark.parametrize("kind", ["lens", "reversed", "measured", "bellows"])
def test_a_new_request_says_where_to_read_the_f_number(stacker, kind):
    (line,) = (line for line in stacker("new", kind).out.splitlines() if line.startswith("  f_number:"))
    assert line.endswith("# marked: read it with the lens at infinity")


@pytest.mark.parametrize(
    ("word", "told"),
    [
        ("take-up", "take-up  (word)\n  the way beyond a stop"),
        ("Overlap", "focus.overlap  (request)"),  # a word and a key
        ("camera", "keys: sensor_mm, pixels, raw_mb"),
        ("subject.zones", "keys: name, from_mm"),
    ],
)
def test_explain_knows_words_and_lists_the_keys_of_blocks(stacker, word, told):
    assert told in stacker("explain", word).out


def test_explain_tells_meaning_range_and_default(stacker):
    out = stacker("explain", "focus.kept_contrast").out
    assert out.splitlines()[0] == "focus.kept_contrast  (request)"
    assert "takes: a number above 0 and up to 0.99" in out
    assert "default: 0.8" in out


def test_the_schema_accepts_the_samples_keys(stacker, plans):
    schema = json.loads(stacker("schema", "request").out)
    assert schema["$schema"].endswith("2020-12/schema")
    assert {"rig", "camera", "subject"} <= set(schema["properties"])
    assert schema["required"] == ["rig", "camera", "subject"]


def test_tubes_lists_every_subset_by_rising_extension_and_marks_those_that_frame(stacker):
    arguments = ["tubes", "--focal-length-mm", 50, "--max-magnification", 0.15, "--tubes-mm", "12,20,36"]
    rows = json.loads(stacker(*arguments, "--subject-width-mm", 20, "--json").out)["result"]
    assert [sum(row["tubes_mm"]) for row in rows] == [0, 12, 20, 32, 36, 48, 56, 68]
    # sums of tubes and lens: common practice, no source
    reached = {sum(row["tubes_mm"]): row["magnification"] for row in rows}
    for extension, magnification in ((12, 0.39), (20, 0.55), (36, 0.87), (68, 1.5)):
        assert reached[extension] == pytest.approx(magnification, abs=0.015)
    marked = [sum(row["tubes_mm"]) for row in rows if row["frames_subject"]]
    # 20 mm on 23.5 mm: 60 to 95 % of the width is 0.705 to 1.116 times; a set reaches from e/50 to 0.15 + e/50
    assert marked == [32, 36, 48]


@pytest.mark.parametrize(
    ("width_mm", "told"),
    [
        # 0.15 + 68/50 = 1.51 times 9 mm is 57.8 % of 23.5 mm
        (9, "60% to 95% of the width; 12+20+36 comes nearest, with 58%; 3 mm more extension would do"),
        (20, "*: the subject can be made to fill 60% to 95% of the width"),
    ],
)
def test_tubes_name_the_nearest_set_where_none_frames(stacker, width_mm, told):
    # the set of tubes as above: common practice, no source
    arguments = ["tubes", "--focal-length-mm", 50, "--max-magnification", 0.15, "--tubes-mm", "12,20,36"]
    shown = stacker(*arguments, "--subject-width-mm", width_mm).out
    assert told in " ".join(shown.split())


def test_apertures_mark_the_fewest_frames_that_resolve_a_detail(stacker, request_file):
    document = json.loads(stacker("apertures", request_file, "--detail-um", 10, "--json").out)["result"]
    rows = {row["f_number"]: row for row in document["rows"]}
    best = rows[document["best_f_number"]]
    assert best["finest_detail_um"] <= 10
    for row in rows.values():
        assert row["finest_detail_um"] > 10 or row["frames"] >= best["frames"]
    assert "*" in stacker("apertures", request_file, "--detail-um", 10).out


def test_apertures_of_an_objective_are_refused(stacker, plans):
    done = stacker("apertures", plans / "wulfenite_objective.yaml")
    assert done.code == 1
    assert "wulfenite_objective.yaml:" in done.err


@pytest.mark.parametrize("width", [80])
def test_no_line_is_wider_than_80_columns(stacker, plans, tmp_path, width):
    for request in sorted(plans.glob("*.yaml")):
        if request.name.endswith(".plan.yaml"):
            continue
        done = stacker("plan", request, "-o", tmp_path / "p.yaml")
        assert done.code == 0
        assert max(len(line) for line in done.out.splitlines()) <= width, request
        table = stacker("apertures", request)
        assert max((len(line) for line in table.out.splitlines()), default=0) <= width, request
    tubes = stacker("tubes", "--focal-length-mm", 85, "--max-magnification", 0.12, "--tubes-mm", "10,12,16,20,21")
    assert max(len(line) for line in tubes.out.splitlines()) <= width


@settings(max_examples=examples(60))
@given(st.lists(st.text(max_size=12), max_size=4))
def test_no_arguments_escape_as_a_traceback(arguments):
    from stacker.cli.main import main

    with pytest.raises(SystemExit) as stopped:
        main([argument for argument in arguments if argument not in ("rail", "jog", "drive")])
    assert stopped.value.code in (0, 1, 2)


def test_a_plan_or_a_rail_in_place_of_a_request_is_told_in_one_line(stacker, plans):
    for name, text in (("leaf_beetle.plan.yaml", "this is a plan"), ("rails/bench.yaml", "this is a rail")):
        done = stacker("plan", plans / name)
        assert done.code == 2
        assert len(done.err.splitlines()) == 1
        assert text in done.err


def test_a_folder_that_is_not_there_is_named_as_it_was_typed(stacker, request_file):
    done = stacker("plan", request_file, "-o", "nowhere/p.yaml")
    assert (done.code, done.out) == (1, "")
    assert done.err == "nowhere/p.yaml: No such file or directory; check the name, the folder and its permissions\n"


@pytest.mark.parametrize(
    ("word", "advice"), [("1e-3", "write 0.001"), ("1e300", "write a number above 0 and up to 200")]
)
def test_advice_never_falls_into_the_trap_itself(stacker, request_file, word, advice):
    assert advice in stacker("plan", request_file, "--set", f"rig.magnification={word}").err


def test_apertures_within_a_budget_and_beyond_any(stacker, plans):
    beetle = plans / "leaf_beetle.yaml"
    document = json.loads(stacker("apertures", beetle, "--frames", 50, "--minutes", 2, "--json").out)["result"]
    best = next(row for row in document["rows"] if row["f_number"] == document["best_f_number"])
    assert best["frames"] <= 50
    assert best["duration_s"] <= 120
    shown = stacker("apertures", beetle, "--frames", 50)
    assert f"* f/{document['best_f_number']:g}" in shown.out  # on the curve
    assert f"--set rig.f_number={document['best_f_number']:g}" in shown.err
    hopeless = stacker("apertures", beetle, "--frames", 2, "--detail-um", 1)
    assert hopeless.code == 0
    assert "No f-number here gives 1 um and 2 frames (the finest detail here is 7.55 um;" in hopeless.out


def test_minutes_without_a_clock_are_refused_with_the_reason(stacker, plans):
    done = stacker("apertures", plans / "calcite_by_hand.yaml", "--minutes", 5)
    assert done.code == 1
    assert "time of this stack is not known" in done.err


def test_minutes_can_be_wished_for_by_hand_where_the_pace_is_known(stacker, plans):
    request = plans / "calcite_by_hand.yaml"
    refused = stacker("apertures", request, "--minutes", 5)
    assert refused.code == 1
    assert "give rail.frame_s" in " ".join(refused.err.split())
    result = json.loads(stacker("apertures", request, "--minutes", 5, "--set", "rail.frame_s=20", "--json").out)[
        "result"
    ]
    (best,) = (row for row in result["rows"] if row["f_number"] == result["best_f_number"])
    assert best["frames"] * 20 == best["duration_s"] <= 300
