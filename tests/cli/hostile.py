"""Three hundred files that nobody should have to open: what each is called, and what it holds."""

from __future__ import annotations

import json
import math
import os
import re
import struct
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path
from random import Random

from conftest import ROOT

from stacker.documents import emit
from stacker.documents.fields import plain
from stacker.documents.loading import load_request
from stacker.documents.plan_file import digest_of

PLANS = ROOT / "plans"
COUNT = 300
ESCAPES = "\x1b[2J\x1b]0;owned\x07\x9b31m\u202egnp.exe\u2066\r\x08"
QUOTED = r"\e[2J\e]0;owned\a\x9b31m\u202egnp.exe\u2066\r\b\n"  # the same in YAML's double quotes
NUMBERS = (
    "0", "-1", "0.000000000001", "999999999999", "9" * 400, "1" + "0" * 5000, "nan", ".inf", "1e999", "0x7f", "1_0",
    "null", "''", "[]", "{}", "true", "2026-11-26", "12:30", "&a 1", "*a", "!!python/object/apply:os.system [id]",
    f'"{QUOTED}"', "3,4", "-0", "\u0663", "\uff11", "1e-3", "f/4", "\U0001f41e",
)  # fmt: skip
URLS = (
    "sim://k?log=thesis.txt", "sim://k?state=thesis.txt", "sim://k?log=pipe", "sim://k?state=pipe&log=pipe",
    "sim://k?state=/dev/zero", "sim://k?log=/dev/null", "sim://k?travel=99999999999999999999", "sim://k?travel=0",
    "sim://k?turn=0", "sim://k?per_mm=0", "sim://k?baud=0", "sim://k?time_scale=nan", "sim://k?time_scale=1e-9",
    "sim://k?lose=x", "sim://k?name=%1b[2J", "sim://k?position=%1b[2J", "sim://[", "sim://k?" + "a=1&" * 9999,
    "spy://sim://k?file=thesis.txt", "loop://", "hwgrep://.*", "alt://thesis.txt?class=os.system", "file:///etc/passwd",
    "socket://127.0.0.1:1", "socket://127.0.0.1:99999", "socket://", "rfc2217://127.0.0.1:1", "thesis.txt", "pipe",
    "/dev/null", "/dev/zero", ".", "..", "-", "\\\\.\\thesis.txt", "$(touch pwned)", "`touch pwned`;touch pwned",
)  # fmt: skip


def files() -> list[tuple[str, bytes]]:
    """Name and content of each file; the same ones on every run."""
    kinds: list[Iterator[tuple[str, bytes]]] = [
        _no_text(), _no_yaml(), _requests(), _rails(), _links(), _plans(), _readings(), _journals(), _states(),
    ]  # fmt: skip
    found: list[tuple[str, bytes]] = []
    while len(found) < COUNT:  # in turn, so that every kind is there
        found += [next(kind) for kind in kinds]
    return found[:COUNT]


def _endless(name: str, contents: Iterator[str | bytes]) -> Iterator[tuple[str, bytes]]:
    for number, content in enumerate(contents):
        data = content.encode("utf-8", "surrogatepass") if isinstance(content, str) else content
        yield f"{name}{number}", data
    raise AssertionError(f"too few of {name}")


def _no_text() -> Iterator[tuple[str, bytes]]:
    random = Random(1)
    fixed = [
        b"", b"\0", b"\xef\xbb\xbf", b"\xff\xfe" + "rig: 1".encode("utf-16-le"), b"\r\r\r", b"\x7fELF" + bytes(200),
        b"\x89PNG\r\n\x1a\n", b"PK\x03\x04", b"\x1f\x8b\x08" + bytes(30), b"\xed\xa0\x80", b"a" * 300_000,
        b"\n" * 300_000, ESCAPES.encode("utf-8"), b"%PDF-1.7", b"<!doctype html><script>1</script>", b"(plan x)\nM2\n",
        b"frame,focus_um\n", b"stacker_plan: 1\n", b"Dial sheet: \n", struct.pack("<Q", 1) * 99,
    ]  # fmt: skip
    more = (random.randbytes(random.randrange(1, 3000)) for _ in range(COUNT))
    yield from _endless("bytes", iter([*fixed, *more]))


def _no_yaml() -> Iterator[tuple[str, bytes]]:
    deep = 100_000
    fixed = [
        "[" * deep, "{a: " * (deep // 4), "- " * (deep // 2), "? " * (deep // 2), "a: " * (deep // 3),
        "".join(f"{' ' * n}a:\n" for n in range(400)), "&a [*a]", "a: &a [1]\nb: *a\n", "<<: {rig: 1}\n",
        "a: &a [x, x]\n" + "".join(f"b{n}: &b{n} [*b{n - 1}, *b{n - 1}]\n" for n in range(20)).replace("b-1", "a"),
        "--- a\n--- b\n", "%YAML 9.9\n---\na: 1\n", "%TAG ! tag:x,2000:\n---\n!x a: 1\n", "!!binary aGk=",
        "!!set {a}", "!!python/object/apply:os.system ['touch pwned']", "a: !!python/name:os.system\n", "\trig: 1\n",
        "rig:\n\t- 1\n",
        f'"{QUOTED}": 1\n', f'rig: {{"{QUOTED}": 1}}\n', f'rig: {{kind: "{QUOTED}"}}\n', "a: 'b", 'a: "b',
        "a: |\n b" * 9, "".join(f"k{n}: 1\n" for n in range(14_000)), "".join(f"k{n}: 1\n" for n in range(50_000)),
        "rig: &r {kind: lens}\ncamera: *r\n", "? [a, b]\n: c\n", "? {a: 1}\n: 2\n", "{}", "[]", "null", "~", "1", "''",
        "rig: rig: rig:", "rig:\n  - " * 30, "#" * 199_000, "'" + "x" * 190_000 + "'", "a: >\n" + " x\n" * 60_000,
        "rig: nested.yaml\n", "rig: /dev/zero\n", "rig: pipe\n", "rig: ../../../../etc/passwd\n", "rig: .\n",
        "rail: self\n",
    ]  # fmt: skip
    yield from _endless("yaml", iter(fixed))


@cache
def _request_lines() -> tuple[str, ...]:
    """A sound request with every key, on a simulated rail that waits for nobody."""
    lines = emit.lines(plain(load_request(PLANS / "leaf_beetle.yaml").value))
    return tuple(re.sub("time_scale=20", "time_scale=inf", line) for line in lines)


def _spoilt(lines: Sequence[str], values: tuple[str, ...], seed: int) -> Iterator[str]:
    """One value of a sound file after the other replaced."""
    random = Random(seed)
    places = [number for number, line in enumerate(lines) if re.match(r" *[a-z_0-9]+: [^|>]", line)]
    random.shuffle(places)
    for turn in range(COUNT):
        place = places[turn % len(places)]
        value = values[(turn * 7 + turn // len(places)) % len(values)]
        changed = [*lines]
        changed[place] = f"{lines[place].partition(': ')[0]}: {value}"
        yield "\n".join(changed) + "\n"


def _requests() -> Iterator[tuple[str, bytes]]:
    lines = _request_lines()
    fixed = [
        "\n".join(lines).replace("depth_mm: ", "depth_mm: 9999  # ") + "\n",
        "\n".join(lines).replace("name: ", 'name: "$(touch pwned); `touch pwned` (MSG, M3) \\" " # ') + "\n",
        "\n".join(lines).replace("zones: []", "zones: [" + "{from_mm: 0, to_mm: 1, overlap: 0.5}, " * 4000 + "]")
        + "\n",
        "\n".join(lines).replace("tubes_mm: [", "tubes_mm: [" + "1, " * 50_000) + "\n",
    ]
    yield from _endless("request", iter([*fixed, *_spoilt(lines, NUMBERS, 2)]))


def _rail_lines() -> list[str]:
    lines = _request_lines()
    start = lines.index("rail:") + 1
    stop = next((n for n in range(start, len(lines)) if not lines[n].startswith(" ")), len(lines))
    return [line[2:] for line in lines[start:stop]]


def _rails() -> Iterator[tuple[str, bytes]]:
    yield from _endless("rail", _spoilt(_rail_lines(), NUMBERS, 3))


def _links() -> Iterator[tuple[str, bytes]]:
    lines = _rail_lines()
    at = next(number for number, line in enumerate(lines) if re.match(" +url: ", line))
    shutters = (
        "via: rail", "via: command\n  command: [touch, pwned]", "via: rts\n  port: thesis.txt",
        f'via: command\n  command: ["{QUOTED}"]', "via: dtr\n  port: spy://loop://?file=thesis.txt",
    )  # fmt: skip

    def spoilt() -> Iterator[str]:
        for turn in range(COUNT):
            changed = [*lines]
            changed[at] = f"{lines[at].partition(': ')[0]}: {json.dumps(URLS[turn % len(URLS)])}"
            text = "\n".join(changed) + "\n"
            yield re.sub(r"  via: .*", lambda _, turn=turn: f"  {shutters[turn % len(shutters)]}", text, count=1)

    yield from _endless("link", spoilt())


def _plans() -> Iterator[tuple[str, bytes]]:
    """Sound plans with one value changed, and the digest of the change: a digest is no signature."""
    text = (PLANS / "leaf_beetle.plan.yaml").read_text(encoding="utf-8")
    head, rows, table = text.partition("  rows:\n")
    random = Random(4)

    def signed(changed: str) -> str:
        return re.sub(r"^digest: .*$", f"digest: {digest_of(changed)}", changed, count=1, flags=re.MULTILINE)

    def spoilt() -> Iterator[str]:
        yield head + rows + "    - [1]\n" * 100_000
        yield head + rows + "    - " + "[" * 200_000 + "]" * 200_000 + "\n"
        yield text.replace("url: ", 'url: "sim://k?log=thesis.txt" # ')
        heads = _spoilt(head.splitlines(), NUMBERS, 5)
        for turn, changed in enumerate(heads):
            yield signed(changed + rows + table)
            lines = table.splitlines()
            row = random.randrange(len(lines))
            cells = lines[row].split(", ")
            cells[random.randrange(len(cells))] = NUMBERS[turn % len(NUMBERS)]
            lines[row] = ", ".join(cells)
            yield signed(head + rows + "\n".join(lines) + "\n")

    yield from _endless("plan", spoilt())


def _readings() -> Iterator[tuple[str, bytes]]:
    sound = readings()
    head, *lines = sound.splitlines()
    random = Random(6)

    def spoilt() -> Iterator[str]:
        yield from (
            "",
            head,
            head + "\n" + ",,\n" * 9,
            sound.replace(",", "\t"),
            '"' + sound,
            head + "\n" + "1," * 50_000,
        )
        yield head + "\n" + "1,1,up\n" * 50_000
        yield head + "\n" + "".join(f"{n},{n},up\n" for n in range(20_000))
        for turn in range(COUNT):
            changed = [*lines]
            row = random.randrange(len(lines))
            cells = changed[row].split(",")
            cells[turn % 3] = (*NUMBERS, ESCAPES, "sideways")[turn % (len(NUMBERS) + 2)]
            changed[row] = ",".join(cells)
            yield "\n".join([head, *changed]) + "\n"

    yield from _endless("readings", spoilt())


def _journals() -> Iterator[tuple[str, bytes]]:
    """Lines that a run could not have written, and some that it could."""
    random = Random(7)
    values = (None, 0, -1, 10**400, 1.5, "x", ESCAPES, [], {}, [[]], True, [10**30], {"digest": ESCAPES})
    keys = ("event", "run", "plan", "frames", "front_at_microsteps", "microsteps_per_mm", "kind", "boot", "session")
    header = {
        "event": "run", "run": "0a0b0c0d", "software": "0",
        "plan": {"name": "x", "digest": "0", "columns": [], "rows": []},
        "profile_digest": "0", "front_at_microsteps": 0, "microsteps_per_mm": 1600.0, "kind": "all", "frames": [1, 2],
        "controller": "sim", "boot": 1, "session": "00000001", "t_s": 0.0,
    }  # fmt: skip

    def spoilt() -> Iterator[str]:
        yield "[" * 100_000 + "\n"
        yield json.dumps(header) + "\n" + '{"event": ' + "[" * 100_000 + "\n" + json.dumps(header) + "\n"
        for turn in range(COUNT):
            changed = {**header, keys[turn % len(keys)]: values[(turn // len(keys) + turn) % len(values)]}
            if turn % 3 == 0:
                changed.pop(random.choice(list(changed)))
            yield json.dumps(changed) + "\n" + random.choice(("", "{", '{"event": "intent"}\n', "\0" * 50, "null\n"))

    yield from _endless("journal", spoilt())


def _states() -> Iterator[tuple[str, bytes]]:
    fixed: list[str] = [
        '{"state": {',
        '{"state": {"a": ' + "[" * 100_000,
        '{"event": "',
        '{"state": {}, "log_bytes": 0, "wall_s": 0.0}',
    ]
    values = (None, 1e18, -1e18, "x", [], {}, 10**400, [1] * 9999)
    names = (
        "now_s",
        "motion",
        "carriage",
        "ring",
        "line",
        "count",
        "under_way",
        "clear_s",
        "limits",
        "camera",
        "wall_s",
    )
    more = (json.dumps({"state": {name: value}, "log_bytes": 0, "wall_s": 0.0}) for value in values for name in names)
    yield from _endless("state", iter([*fixed, *more]))


def readings() -> str:
    """A sound table of a screw of 2 mm: three turns, both ways, a little scatter."""
    random = Random(8)
    lines = ["position_mm,reading_mm,approached"]
    for word, lost_mm in (("up", 0.0), ("down", 0.018)):
        for step in range(24):
            turn = 5 + step / 8
            reading_mm = 2.004 * turn + 0.004 * math.sin(2 * math.pi * turn) + lost_mm + random.gauss(0, 0.001)
            lines.append(f"{2 * turn:.4f},{reading_mm - 9:.4f},{word}")
    return "\n".join(lines) + "\n"


# How a file may be called besides: what a shell, an option or a terminal would take for its own.
NAMES = (
    "$(touch pwned)",
    "`touch pwned`",
    "a;touch pwned",
    "-go",
    'it\'s "here"',
    ESCAPES.replace("/", ""),
    "a b",
    "K\u00e4fer",
)
ENDINGS = {"plan": ".plan.yaml", "readings": ".csv", "journal": ".run.jsonl", "state": ".json", "bytes": ".html"}


def name_of(name: str, turn: int) -> str:
    """What the file is called in its folder: every third has a name that is a trap of its own."""
    ending = ENDINGS.get(name.rstrip("0123456789"), ".yaml")
    return (NAMES[turn // 3 % len(NAMES)] if turn % 3 == 0 else name) + ending


def lay_out(folder: Path, name: str, content: bytes) -> None:
    """A folder with that file, a person's own ones, and a thing that is no file."""
    (folder / name).write_bytes(content)
    (folder / "nested.yaml").write_bytes(content)
    (folder / "thesis.txt").write_text("What I know of weevils.\n", encoding="utf-8")
    os.mkfifo(folder / "pipe")
    (folder / "good.yaml").write_text("\n".join(_request_lines()) + "\n", encoding="utf-8")
    (folder / "rail.yaml").write_text("\n".join(_rail_lines()) + "\n", encoding="utf-8")
    (folder / "good.plan.yaml").write_bytes((PLANS / "leaf_beetle.plan.yaml").read_bytes())
    (folder / "hand.plan.yaml").write_bytes((PLANS / "calcite_by_hand.plan.yaml").read_bytes())
    (folder / "panels.plan.yaml").write_bytes((PLANS / "lichen_panels.plan.yaml").read_bytes())
    (folder / "readings.csv").write_text(readings(), encoding="utf-8")
    (folder / "pictures").mkdir()
