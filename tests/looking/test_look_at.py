from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from stacker.errors import Refusal
from stacker.looking.look_at import look_at


@pytest.fixture
def folder(tmp_path):
    """A dozen little pictures, one of them no picture."""
    for number in range(12):
        Image.new("L", (320, 240), 20 * number).save(tmp_path / f"{number}.jpg")
    (tmp_path / "5.jpg").write_bytes(b"\xff\xd8 no picture")
    return tmp_path


def test_every_picture_is_looked_into_once_and_known_ones_not_at_all(folder):
    names = [f"{number}.jpg" for number in range(12)]
    first = dict(look_at(folder, names, {}, processes=1))
    assert sorted(key.name for key in first) == sorted(names)
    assert {key.name for key, seen in first.items() if seen.fault} == {"5.jpg"}
    known = {key: seen for key, seen in first.items() if key.name != "3.jpg"}
    for name in names:
        if name != "3.jpg":
            status = (folder / name).stat()
            (folder / name).write_bytes(bytes(status.st_size))  # read again it would be no picture
            os.utime(folder / name, ns=(status.st_atime_ns, status.st_mtime_ns))
    again = dict(look_at(folder, names, known, processes=1))
    assert {key.name for key, seen in again.items() if seen.fault} == {"5.jpg"}


def test_two_processes_see_what_one_sees(folder):
    names = [f"{number}.jpg" for number in range(12)]
    one = {key.name: seen for key, seen in look_at(folder, names, {}, processes=1)}
    two = {key.name: seen for key, seen in look_at(folder, names, {}, processes=2)}
    assert one.keys() == two.keys()
    for name, seen in one.items():
        assert (seen.pixels, seen.fault) == (two[name].pixels, two[name].fault)
        assert np.array_equal(seen.light, two[name].light)


def test_without_the_extra_it_says_how_to_get_it(folder, monkeypatch):
    monkeypatch.setitem(sys.modules, "PIL", None)
    with pytest.raises(Refusal, match=r'pip install "\.\[look\]"'):
        dict(look_at(folder, ["1.jpg"], {}))


LOOKING = """
import signal
import sys
from pathlib import Path
from stacker.looking.look_at import look_at
if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background hands it on ignored
    folder = Path(sys.argv[1])
    for place, _ in enumerate(look_at(folder, [path.name for path in sorted(folder.glob("*.jpg"))], {}, processes=2)):
        if not place:
            print("begun", flush=True)
"""


def children(pid: int) -> list[int]:
    """Processes below one, by what the kernel tells."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):  # it ended just now
            if int(path.read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()[1]) == pid:
                found.append(int(path.parent.name))
    return found


def looking_at_many(folder: Path) -> subprocess.Popen[str]:
    noise = np.random.default_rng(1).integers(0, 255, (1500, 2000), dtype=np.uint8)
    Image.fromarray(noise).save(folder / "0.jpg")
    for number in range(1, 200):
        (folder / f"{number}.jpg").write_bytes((folder / "0.jpg").read_bytes())
    script = folder / "looking.py"
    script.write_text(LOOKING)
    return subprocess.Popen(
        [sys.executable, str(script), str(folder)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def ended(pids: list[int]) -> bool:
    """Whether all of them end within half a minute."""
    ends_s = time.monotonic() + 30
    while (left := any(Path(f"/proc/{pid}").exists() for pid in pids)) and time.monotonic() < ends_s:
        time.sleep(0.05)
    return not left


@pytest.mark.campaign
@pytest.mark.skipif(sys.platform != "linux", reason="asks the kernel which processes there are")
@pytest.mark.parametrize("blow", [signal.SIGINT, signal.SIGKILL], ids=["ctrl-c", "killed"])
def test_nothing_goes_on_behind_a_stopped_look(tmp_path, blow):
    looking = looking_at_many(tmp_path)
    assert looking.stdout.readline() == "begun\n"
    below = children(looking.pid)
    assert len(below) >= 2
    if blow == signal.SIGINT:
        os.killpg(looking.pid, blow)  # as a terminal does: all of them get it
    else:
        looking.send_signal(blow)
    _, told = looking.communicate(timeout=60)
    if blow == signal.SIGINT:
        assert told.count("Traceback") == 1  # of the script itself: its helpers say nothing
    assert ended(below)


@pytest.mark.campaign
@pytest.mark.skipif(sys.platform != "linux", reason="asks the kernel which processes there are")
def test_processes_that_have_just_begun_say_nothing_of_a_ctrl_c(tmp_path):
    looking = looking_at_many(tmp_path)
    while len(below := children(looking.pid)) < 3:  # the keeper of shared memory and two that look
        assert looking.poll() is None
        time.sleep(0.001)
    time.sleep(0.02)  # long enough for Python to take signals, too short for it to have read the modules
    os.killpg(looking.pid, signal.SIGINT)
    _, told = looking.communicate(timeout=60)
    assert told.count("Traceback") == 1
    assert ended(below)
