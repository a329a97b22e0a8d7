"""Whoever looks at the pictures of a run as they come: what it is told, and what it may say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, kw_only=True, slots=True)
class Finding:
    """What a picture shows that must not stay so.

    Parameters
    ----------
    frame, shot : int
        Which, and by which exposure.
    seen : str
        In words that go on after "is": "6.7 stops under its neighbours".
    stops_as : str
        Code with which the run is to stop, since no frame after this one can be relied upon: ``dark`` (one of several
        in a row) or ``stalled`` (the rail did not move on before it); empty: it goes on.
    """

    frame: int
    shot: int
    seen: str
    stops_as: str = ""


class Watcher(Protocol):
    """Looks at pictures beside a run; both calls return at once."""

    def exposing(self, frame: int, shot: int) -> None:
        """The shutter is about to open."""

    def poll(self) -> Sequence[Finding]:
        """What was found since the last call."""


class Nobody:
    """No pictures come to this computer while the run goes on."""

    def exposing(self, frame: int, shot: int) -> None:
        """Nothing."""

    def poll(self) -> Sequence[Finding]:
        """Nothing."""
        return ()
