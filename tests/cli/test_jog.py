import io
import json
import os
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacker.cli.edited import write_values
from stacker.cli.jog import _reader
from stacker.cli.main import main
from stacker.documents.loading import load_request
from stacker.documents.templates import template
from stacker.driving.interrupts import Interrupts
from stacker.errors import InputError
from stacker.planning.planner import plan_of
from stacker.rail.stops import StopOrder

SIM = "sim://bench?time_scale=inf"


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("rail.yaml").write_text(template("rail"), encoding="utf-8")
    text = template("lens")
    line = next(line for line in text.splitlines() if line.startswith("# rail:"))
    Path("beetle.yaml").write_text(text.replace(line, "rail: rail.yaml   # on the bench"), encoding="utf-8")
    return tmp_path


def jog(capsys, monkeypatch, typed, *options, file="beetle.yaml", url=SIM):
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    with pytest.raises(SystemExit) as stopped:
        main(["jog", file, "--url", url, *options])
    seen = capsys.readouterr()
    return stopped.value.code, seen.out, seen.err


MARKED = "+0.5\nfront\n+2.5\nback\ndone\n"


def test_the_lines_for_the_request_are_printed_and_nothing_is_written(bench, capsys, monkeypatch):
    before = Path("beetle.yaml").read_bytes()
    code, out, err = jog(capsys, monkeypatch, MARKED)
    assert code == 0
    assert out.splitlines() == [
        "Lines for beetle.yaml:",
        "  subject:",
        "    depth_mm: 2.5",
        "    depth_source: rail",
        "    front_at_mm: 40.5",
    ]
    assert err.endswith("Next: stacker plan beetle.yaml\n")
    assert Path("beetle.yaml").read_bytes() == before
    assert all(len(line) <= 80 for line in (out + err).splitlines())


def test_the_request_is_written_value_by_value_and_plans_without_a_margin_for_the_lead(bench, capsys, monkeypatch):
    before = Path("beetle.yaml").read_text(encoding="utf-8")
    code, out, _ = jog(capsys, monkeypatch, MARKED, "--write", "--json")
    assert code == 0
    assert json.loads(out)["result"]["written"] is True
    after = Path("beetle.yaml").read_text(encoding="utf-8")
    kept = [line for line in before.splitlines() if "depth_mm" not in line]
    assert [line for line in after.splitlines() if line in kept] == kept
    assert after.count("#") == before.count("#")
    subject = load_request("beetle.yaml").value.subject
    assert (subject.depth_mm, subject.depth_source, subject.front_at_mm) == (2.5, "rail", 40.5)


@given(
    comments=st.lists(
        st.text(
            st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Zl", "Zp"), exclude_characters="\ufffe\uffff")
        )
        | st.just(" subject.front_at_mm: 3"),
        min_size=30,
    )
)
def test_no_comment_is_lost_whatever_it_says(tmp_path_factory, comments):
    path = tmp_path_factory.mktemp("jog") / "beetle.yaml"
    lines = [line.partition("#")[0] for line in template("lens").splitlines()]
    text = "".join(f"{line}  # {note}\n" for line, note in zip(lines, comments * 3, strict=False))
    path.write_bytes(text.encode("utf-8"))
    write_values(path, {"subject.depth_mm": 2.5, "subject.front_at_mm": 40.5}, load_request)
    after = path.read_bytes().decode("utf-8")
    assert [line.partition("#")[2] for line in text.split("\n")] == [
        note for key, _, note in (line.partition("#") for line in after.split("\n")) if "front_at_mm" not in key
    ]


def test_nothing_marked_writes_nothing(bench, capsys, monkeypatch):
    before = Path("beetle.yaml").read_bytes()
    code, out, err = jog(capsys, monkeypatch, "+1\n", "--write")
    assert (code, out) == (0, "")
    assert "Nothing was marked." in err
    assert Path("beetle.yaml").read_bytes() == before


def test_a_rear_standard_gets_no_depth(bench, capsys, monkeypatch):
    text = template("bellows")
    line = next(line for line in text.splitlines() if line.startswith("# rail:"))
    Path("rear.yaml").write_text(text.replace(line, "rail: rail.yaml"), encoding="utf-8")
    _, out, err = jog(capsys, monkeypatch, MARKED, file="rear.yaml")
    assert "depth_mm" not in out
    assert "front_at_mm: 40.5" in out
    assert "not the subject's depth" in err


def test_in_resin_the_true_depth_is_written_and_the_plan_travels_as_far_as_was_jogged(bench, capsys, monkeypatch):
    text = Path("beetle.yaml").read_text(encoding="utf-8").replace("  # index: 1.54  ", "  index: 1.54  ")
    Path("beetle.yaml").write_text(text, encoding="utf-8")
    code, out, err = jog(capsys, monkeypatch, MARKED, "--write")
    assert code == 0
    assert "    depth_mm: 3.85\n" in out
    assert "the true depth behind the face: travel 2.5000 mm x index 1.54." in err
    assert load_request("beetle.yaml").value.subject.depth_mm == 3.85
    # by hand: 3.85 mm / 1.54 are the 2.5 mm between the marks; the outermost frames may stand up to a step inside them
    plan = plan_of(load_request("beetle.yaml", ["focus.end_frames=0"]).value, {})
    assert plan.motion.travel_mm == pytest.approx(2.5, abs=plan.coverage.step_um / 1000)
    assert all(len(line) <= 80 for line in (out + err).splitlines())


def test_without_done_nothing_is_written(bench, capsys, monkeypatch):
    """Ctrl-C or the end of the input is no consent to change a file."""
    before = Path("beetle.yaml").read_bytes()
    _, out, err = jog(capsys, monkeypatch, MARKED.replace("done\n", ""), "--write")
    assert "depth_mm: 2.5" in out
    assert "Not written, because jogging ended without 'done'" in err
    assert Path("beetle.yaml").read_bytes() == before


def test_a_front_marked_alone_says_that_the_depth_is_kept(bench, capsys, monkeypatch):
    _, _, err = jog(capsys, monkeypatch, "+0.5\nfront\ndone\n", "--write")
    assert "depth_mm is kept as it was" in err
    assert load_request("beetle.yaml").value.subject.front_at_mm == 40.5


def test_marks_outlive_a_port_that_goes(bench, capsys, monkeypatch):
    code, out, err = jog(capsys, monkeypatch, "+0.5\nfront\n" + "+5\n" * 9, url=f"{SIM}&unplug_at_s=12")
    assert code == 1
    assert "front_at_mm: 40.5" in out
    assert "the port is gone" in err


def test_an_unknown_place_is_named_first(bench, capsys, monkeypatch):
    code, out, err = jog(capsys, monkeypatch, "+1\nhere 40\n+1\nfront\ndone\n", url=f"{SIM}&position=unknown")
    assert code == 0
    assert "front_at_mm: 41" in out
    assert "position lost" in err
    assert "without a scale" in err
    _, out, _ = jog(capsys, monkeypatch, "+1\nfront\ndone\n", "--rail-at-mm", "20", url=f"{SIM}&position=unknown")
    assert "front_at_mm: 21" in out


def test_a_request_without_a_motor_rail_is_refused(bench, capsys, monkeypatch):
    Path("beetle.yaml").write_text(template("lens"), encoding="utf-8")
    code, _, err = jog(capsys, monkeypatch, MARKED)
    assert (code, "no motor rail to jog" in err) == (1, True)


def test_the_command_loads_no_numpy(bench):
    code = (
        "import sys; from stacker.cli.main import main\n"
        "try: main(['jog', 'beetle.yaml', '--url', 'sim://bench?time_scale=inf'])\n"
        "except SystemExit: print('numpy' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], input="done\n", capture_output=True, text=True, check=True, timeout=30
    )
    assert done.stdout.strip() == "False"


def wait_for_raw(terminal):
    """Until a key is awaited: what comes before is forgotten, at the latest by what makes the terminal raw."""
    import termios

    give_up = time.monotonic() + 60
    while termios.tcgetattr(terminal)[3] & termios.ICANON:
        assert time.monotonic() < give_up
        time.sleep(0.01)


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal")
def test_keys_move_one_step_a_press_and_what_piles_up_is_forgotten(bench):
    import pty

    keyboard, terminal = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "stacker", "jog", "beetle.yaml", "--url", "sim://bench?time_scale=10"],
        stdin=terminal,
        stdout=subprocess.PIPE,
        stderr=terminal,
    )
    seen = ""

    def until(text, count=1):
        nonlocal seen
        give_up = time.monotonic() + 60
        while seen.count(text) < count:
            assert time.monotonic() < give_up, seen
            if select.select([keyboard], [], [], 0.1)[0]:
                seen += os.read(keyboard, 4096).decode()

    def press(keys):
        wait_for_raw(terminal)
        os.write(keyboard, keys)

    until("at 40.0000 mm, step 0.1")
    press(b"5")
    until("step 1")
    press(b"+" * 20)  # a key held down: 20 mm, if each of them counted
    until("at 41.0000 mm, step 1")
    press(b"\x1b[C")
    until("at 42.0000 mm, step 1")
    press(b"f")
    until("front 42.0000")
    press(b"q")
    out, _ = process.communicate(timeout=60)
    os.close(keyboard)
    os.close(terminal)
    assert process.returncode == 0
    assert b"front_at_mm: 42" in out
    assert "at 43" not in seen


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal")
@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
def test_a_signal_to_end_leaves_the_terminal_as_it_was_and_prints_the_marks(bench, name):
    import pty
    import termios

    keyboard, terminal = pty.openpty()
    before = termios.tcgetattr(terminal)
    ours = signal.signal(getattr(signal, name), signal.SIG_DFL)  # tests that outlive their terminal ignore a hang-up
    process = subprocess.Popen(
        [sys.executable, "-m", "stacker", "jog", "beetle.yaml", "--url", "sim://bench?time_scale=inf"],
        stdin=terminal,
        stdout=subprocess.PIPE,
        stderr=terminal,
    )
    signal.signal(getattr(signal, name), ours)
    seen = b""

    def until(text):
        nonlocal seen
        give_up = time.monotonic() + 30
        while text not in seen:
            assert time.monotonic() < give_up, seen
            if select.select([keyboard], [], [], 0.1)[0]:
                seen += os.read(keyboard, 4096)

    until(b"at 40.0000 mm")
    wait_for_raw(terminal)
    os.write(keyboard, b"f")
    until(b"front 40.0000")
    wait_for_raw(terminal)
    process.send_signal(getattr(signal, name))
    out, _ = process.communicate(timeout=30)
    assert b"front_at_mm: 40" in out
    assert termios.tcgetattr(terminal) == before
    assert process.returncode == 0
    os.close(keyboard)
    os.close(terminal)


@pytest.mark.skipif(sys.platform == "win32", reason="there a signal to oneself ends the program")
def test_a_signal_to_end_during_a_move_is_the_end_of_it():
    with Interrupts() as interrupts:
        os.kill(os.getpid(), signal.SIGTERM)
        assert (interrupts.stop_order(), interrupts.ending) == (StopOrder.STOP, True)
        interrupts.forget()
        assert _reader(interrupts, keys=False)() is None
    with Interrupts() as interrupts:
        os.kill(os.getpid(), signal.SIGINT)
        assert (interrupts.stop_order(), interrupts.ending) == (StopOrder.STOP, False)


def without_depth():
    text = Path("beetle.yaml").read_text(encoding="utf-8")
    Path("beetle.yaml").write_text(
        "".join(f"{line}\n" for line in text.splitlines() if "depth_mm:" not in line), encoding="utf-8"
    )


def test_a_depth_that_is_yet_to_be_found_is_no_fault(bench, capsys, monkeypatch):
    without_depth()
    with pytest.raises(InputError, match=r"subject\.depth_mm"):
        load_request("beetle.yaml")
    code, _, err = jog(capsys, monkeypatch, "+0.5\nfront\ndone\n", "--write")
    assert (code, "depth_mm is still missing: mark the back, too" in err) == (0, True)
    code, _, _ = jog(capsys, monkeypatch, MARKED, "--write")
    assert code == 0
    subject = load_request("beetle.yaml").value.subject
    assert (subject.depth_mm, subject.front_at_mm) == (2.5, 40.5)


def test_every_other_fault_is_told_before_the_rail_is_looked_for(bench, capsys, monkeypatch):
    without_depth()
    text = Path("beetle.yaml").read_text(encoding="utf-8")
    Path("beetle.yaml").write_text(text.replace("f_number:", "f_numbr:"), encoding="utf-8")
    code, _, err = jog(capsys, monkeypatch, MARKED)
    assert (code, "f_numbr" in err, "depth_mm" in err) == (2, True, False)
