"""What the address of a rail says: whether anything real moves there, and what tells one rail from another."""

from __future__ import annotations

from urllib.parse import parse_qsl, urlsplit


def is_simulated(url: str) -> bool:
    """Whether nothing real moves."""
    return url.startswith("sim://")


def options_of(url: str) -> dict[str, str]:
    """What an address says behind its question mark; of two that are the same the last counts."""
    return dict(parse_qsl(urlsplit(url).query))


def time_scale(url: str) -> float:
    """How many seconds of the rail's clock pass in one of ours; infinity: waiting takes no time."""
    return float(options_of(url).get("time_scale", 1.0)) if is_simulated(url) else 1.0


def port_of(url: str) -> str:
    """The part of a port's name that tells one rail from another: of a simulated one its name and its memory."""
    if is_simulated(url):
        state = options_of(url).get("state", "")
        url = url.partition("?")[0] + (f"?state={state}" if state else "")
    return "".join(sign if sign.isprintable() else "?" for sign in url)


def with_options(url: str, options: dict[str, int]) -> str:
    """An address that says these too, where it does not say them already."""
    head, _, query = url.partition("?")
    parts = [part for part in query.split("&") if part]
    given = {part.partition("=")[0] for part in parts}
    parts += [f"{key}={value}" for key, value in options.items() if key not in given]
    return f"{head}?{'&'.join(parts)}"
