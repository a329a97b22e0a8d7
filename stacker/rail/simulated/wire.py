"""The line between host and board: bytes take their time, and a bad line loses, doubles, flips or delays some."""

from __future__ import annotations

from random import Random

from stacker.rail.simulated.options import SimulatedOptions

KINDS = ("drop", "double", "flip", "delay", "lose_line", "double_line")


def distorted(data: bytes, number: int, options: SimulatedOptions) -> list[tuple[float, bytes]]:
    """What becomes of one line.

    Parameters
    ----------
    data : bytes
        The line as sent.
    number : int
        A running number: the same seed and number give the same fault.
    options : SimulatedOptions
        Shares of lines with each fault.

    Returns
    -------
    list of (float, bytes)
        Delay [s] and bytes of each piece that arrives.
    """
    if not any((options.damage, *(getattr(options, kind) for kind in KINDS))):
        return [(0.0, data)]
    random = Random(f"{options.seed}:{number}")  # noqa: S311 - repeatable, not secret
    kinds = [kind for kind in KINDS if random.random() < getattr(options, kind)]
    if random.random() < options.damage:
        kinds.append(random.choice(KINDS))
    pieces = [(0.0, data)]
    for kind in kinds:
        if kind == "delay":
            pieces = [(delay_s + options.delay_s * random.uniform(0.5, 1.5), piece) for delay_s, piece in pieces]
        elif kind == "lose_line":
            pieces = []
        elif kind == "double_line":
            pieces = [*pieces, (random.choice((0.0, options.delay_s)), data)]
        elif pieces:
            delay_s, piece = pieces[0]
            at = random.randrange(len(piece)) if piece else 0
            middle = {
                "drop": b"",
                "double": piece[at : at + 1] * 2,
                "flip": bytes([piece[at] ^ 1 << random.randrange(8)]) if piece else b"",
            }[kind]
            pieces[0] = (delay_s, piece[:at] + middle + piece[at + 1 :])
    return pieces
