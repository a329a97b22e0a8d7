"""Lines of the protocol page, section 2: what stands around the words, how long that is, and whether it came whole."""

from __future__ import annotations

import binascii


def check_code(body: bytes) -> bytes:
    """CRC-16, polynomial 0x1021 from 0xFFFF as four capital hexadecimal digits."""
    return b"%04X" % binascii.crc_hqx(body, 0xFFFF)


def framed(body: str) -> bytes:
    """A body as a whole line."""
    data = body.encode("ascii")
    return data + b" " + check_code(data) + b"\n"


def unframed(line: bytes) -> list[str] | None:
    """The words of a line without its line feed, or None when it is damaged."""
    body, _, code = line.rpartition(b" ")
    if not body or code != check_code(body):
        return None
    try:
        return body.decode("ascii").split(" ")
    except UnicodeDecodeError:
        return None


def request_bytes(verb: str, *arguments: int | str) -> int:
    """How many bytes a request is, whoever asks."""
    return len(framed(" ".join(["ask FFFF FFFFFFFF FFFFFFFF", verb, *map(str, arguments)])))


def reply_bytes(*words: int | str) -> int:
    """How many bytes the answer with these words after ``ok`` is."""
    return len(framed(" ".join(["say FFFFFFFF FFFFFFFF ok", *map(str, words)])))
