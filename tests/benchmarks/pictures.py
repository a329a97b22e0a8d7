"""The rows about pictures: one looked into, a survey told, a stack sorted; each against what it rests on."""

from __future__ import annotations

import hashlib
import io
import random
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
from PIL import Image
from scipy.ndimage import gaussian_filter

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the made-up evenings of the tests

FRAMES, BYTES = 300, 400_000
Timed = Callable[[Callable[[], object]], Callable[[], float]]
Ratio = Callable[..., tuple[float, float]]


def look(folder: Path, ratio: Ratio, timed: Timed) -> tuple[float, float]:
    """A picture of 24 megapixels looked into, over Pillow's decoding it to grey."""
    from stacker.looking.seen import look_into

    noise = np.random.default_rng(1).normal(0, 1, (4000, 6000)).astype(np.float32)
    grey = Image.fromarray(np.clip(128 + 300 * gaussian_filter(noise, 3), 0, 255).astype(np.uint8))
    path = folder / "one.jpg"
    Image.merge("RGB", [grey] * 3).save(path, quality=92)
    data = path.read_bytes()
    decode = timed(lambda: np.asarray(Image.open(io.BytesIO(data)).convert("L")))
    return ratio(timed(lambda: look_into(path)), decode, runs=3)


def survey(ratio: Ratio, timed: Timed) -> tuple[float, float]:
    """A survey of 60 frames of 24 megapixels told, once they are looked into, over five of its energies' medians."""
    from stacker.looking.survey import survey_of

    rng, at = np.random.default_rng(2), np.arange(60.0)
    depth = rng.uniform(5, 55, (3, 125, 187))
    energy = np.exp(-((at[:, None, None, None] - depth) ** 2) / 4) + rng.gamma(2, 0.002, (60, 3, 125, 187))

    def curve(shift_um: np.ndarray, _: float) -> np.ndarray:
        return np.exp(-((shift_um / 100) ** 2) / 8)

    work = timed(lambda: [np.median(energy, axis=0) for _ in range(5)])
    return ratio(timed(lambda: survey_of(energy, at * 100, curve, least_gap_um=300.0)), work, runs=3)


def sort(folder: Path, ratio: Ratio, timed: Timed) -> tuple[float, float]:
    """A stack of 300 pictures sorted by link, over reading each once for its checksum."""
    from verifying.evenings import Card, Evening, picture_bytes

    from stacker.verifying.copying import Order, put_all
    from stacker.verifying.folder import read_folder
    from stacker.verifying.shots import read_run
    from stacker.verifying.sorting import sort_stacks

    one, card, into = Evening(random=random.Random(1), frames=FRAMES, cadence_s=3.0), folder / "card", folder / "into"
    one.begin(list(range(1, FRAMES + 1)))
    for frame in range(1, FRAMES + 1):
        one.shoot(frame)
    told = Card(resolution_s=0.01)
    told.write(card, one)
    for path in card.iterdir():
        path.write_bytes(picture_bytes(path.name, BYTES))
    journal = one.journal(folder)

    def ours() -> None:
        shutil.rmtree(into, ignore_errors=True)
        found = read_folder(card, exif=told.exif)
        (stack,) = sort_stacks([read_run(journal)], found)
        assert stack.hand_over is not None
        pieces = [Order(source=card / piece.source, target=piece.target) for piece in stack.hand_over.pieces]
        assert len(list(put_all(pieces, into, copies=False, told=lambda _: None))) == FRAMES

    return ratio(timed(ours), timed(lambda: [hashlib.sha256(path.read_bytes()) for path in card.iterdir()]), runs=3)
