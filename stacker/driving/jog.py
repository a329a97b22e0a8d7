"""What a person at the rail types, one line or key after the other: moves, steps, and front and back marked by eye."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from stacker.driving.hand_moves import HandMoves
from stacker.driving.jog_keys import HELP, STEPS_MM
from stacker.errors import Refusal, RunStopped
from stacker.motion.take_up import Direction
from stacker.rail.controller import ControllerRefused
from stacker.rail.rail import Rail

NEAR_MM = 2.0  # that far before the first mark the subject begins to be near

_NUMBER = re.compile(r"[+-]?[0-9]{1,5}(\.[0-9]{1,6})?")


class Jog:
    """A person at the rail.

    Parameters
    ----------
    rail : Rail
        Connected; it knows the soft limits.
    direction : 1 or -1
        From which side every stop is approached: 1 as a run into the subject does, -1 as one out of it.
    take_back_stop : callable
        Called when a stop was obeyed, so that the next move may start.
    index : float
        Of what the subject lies in behind a flat face: depths are that many times the travel.

    Attributes
    ----------
    front, back : int or None
        Marks [microsteps].
    done : bool
        Whether the person wants to end.
    """

    def __init__(
        self, rail: Rail, *, direction: Direction, take_back_stop: Callable[[], None] = lambda: None, index: float = 1.0
    ) -> None:
        self._moves = HandMoves(rail, direction=direction, take_back_stop=take_back_stop)
        self._settings, self._index = rail.settings, index
        self._microsteps, self._mm = self._settings.microsteps, self._settings.mm
        self._step = self._microsteps(0.1)
        self.front: int | None = None
        self.back: int | None = None
        self.done = False

    def line(self, text: str) -> str:
        """Do one typed line, and say where things are then.

        Raises
        ------
        Refusal
            When it cannot or must not be done: nothing moved.
        RunStopped
            When the rail stopped on the way; `recover` must be called before the next line.
        LinkError
            When nobody answers.
        """
        words = text.strip().lower().split()
        match words:
            case [] | ["where"]:
                pass
            case ["front" | "back" as mark]:
                return self._mark(mark)
            case ["step", length]:
                self._set_step(_number(length))
            case ["here", place]:
                self._moves.name_place(self._microsteps(_number(place)))
            case ["creep", distance]:
                self._moves.creep(self._microsteps(_number(distance)))
            case ["help" | "?"]:
                return HELP
            case ["done" | "quit"]:
                self.done = True
            case _:
                self._moves.go(self._target(words, text), self._near_from())
        return self.status()

    def _target(self, words: list[str], text: str) -> int:
        """Where a line that moves wants to go [microsteps]."""
        match words:
            case ["+" | "-" as sign]:
                return self._moves.here() + (self._step if sign == "+" else -self._step)
            case ["to", "front" | "back" as mark]:
                return self._marked(mark)
            case ["to", place]:
                return self._microsteps(_number(place))
            case [distance] if distance[0] in "+-":
                return self._moves.here() + self._microsteps(_number(distance))
        raise Refusal(f"'{_shown(text)}' is not understood; 'help' lists what is. Nothing moved.", code="line")

    def _marked(self, mark: str) -> int:
        at = self.front if mark == "front" else self.back
        if at is None:
            raise Refusal(f"the {mark} is not marked yet. Nothing moved.", code="no_mark")
        return at

    def _mark(self, mark: str) -> str:
        """Mark the front or the back here; what of that the person should know follows the status."""
        here = self._moves.here()
        if mark == "front":
            before, self.front = self.front, here
        elif self.front is not None and here <= self.front:
            raise Refusal(
                f"the back would not be deeper than the front ({self._mm(self.front):.4f} mm): not marked. Were they "
                "swapped, or does the rail count the wrong way?",
                code="marks",
            )
        else:
            before, self.back = self.back, here
        remarks = "" if before in (None, here) else f"; {mark} was {self._mm(before):.4f}"
        if mark == "front" and self.back is not None and self.back <= here:
            self.back = None
            remarks += "; the back is forgotten, it would not be deeper"
        if not self._moves.as_in_a_run and self._settings.take_up:
            remarks += "; the backlash is not taken up as in a run: go a step back and one deeper, mark again"
        return self.status() + remarks

    def _set_step(self, mm: float) -> None:
        if not 1 <= self._microsteps(mm) <= self._microsteps(STEPS_MM[-1]):
            raise Refusal(
                f"found {mm:g}; a step is from {self._mm(1):.4g} mm (a microstep) to {STEPS_MM[-1]:g} mm.", code="step"
            )
        self._step = self._microsteps(mm)

    def _near_from(self) -> int | None:
        """Where the subject is near, from here on deeper; None before anything is marked."""
        marks = [mark for mark in (self.front, self.back) if mark is not None]
        return min(marks) - self._microsteps(NEAR_MM) if marks else None

    def status(self) -> str:
        """Position, step and marks, on one line; or that the position is lost."""
        if not self._moves.known:
            return self._moves.lost_text()
        parts = [f"at {self._mm(self._moves.here()):.4f} mm", f"step {self._mm(self._step):.3g}"]
        parts += [
            f"{name} {self._mm(at):.4f}" for name, at in (("front", self.front), ("back", self.back)) if at is not None
        ]
        if (depth_mm := self.depth_mm) is not None:
            parts.append(f"{'' if self._index == 1 else 'true '}depth {depth_mm:.4f}")
        return ", ".join(parts)

    def recover(self) -> None:
        """After a move that ended early: at rest again, with a rail that may move.

        Raises
        ------
        LinkError
            When nobody answers.
        """
        self._moves.recover()
        if not self._moves.known:
            self.front = self.back = None  # marks of a count that is lost

    # -- what comes of it

    @property
    def travel_mm(self) -> float | None:
        """From front to back on the rail [mm]; None until both are marked."""
        return None if self.front is None or self.back is None else self._mm(self.back - self.front)

    @property
    def depth_mm(self) -> float | None:
        """From front to back in the subject, behind its face [mm]; None until both are marked."""
        return None if (travel_mm := self.travel_mm) is None else self._index * travel_mm

    def values(self, *, rear: bool) -> dict[str, Any]:
        """The request's keys, as far as they are marked.

        Parameters
        ----------
        rear : bool
            With a moving rear standard the rail's travel is not the subject's depth.
        """
        if self.front is None:
            return {}
        found: dict[str, Any] = {}
        if (depth_mm := self.depth_mm) is not None and not rear:
            # jogged on the rail itself, the depth has the lead's error already: the plan adds no margin for it
            found |= {"subject.depth_mm": round(depth_mm, 4), "subject.depth_source": "rail"}
        return found | {"subject.front_at_mm": round(self._mm(self.front), 4)}


def _number(text: str) -> float:
    if not _NUMBER.fullmatch(text):
        shown = _shown(text)
        hint = f"write {shown.replace(',', '.')}" if _NUMBER.fullmatch(text.replace(",", ".")) else "write mm, as 0.5"
        raise Refusal(f"found '{shown}'; {hint}. Nothing moved.", code="number")
    return float(text)


def _shown(text: str) -> str:
    plain = "".join(sign if sign.isprintable() else "?" for sign in text.strip())
    return plain if len(plain) <= 40 else plain[:37] + "..."


def converse(jog: Jog, read: Callable[[], str | None], show: Callable[[str], None]) -> None:
    """Take what is typed, one after the other, until the person is done; what goes wrong is shown and survived.

    Parameters
    ----------
    jog : Jog
        At the rail.
    read : callable
        The next typed line or key as `Jog.line` takes it; None: no more.
    show : callable
        Shows a line.

    Raises
    ------
    LinkError
        When nobody answers any more.
    """
    show(jog.status())
    while not jog.done and (text := read()) is not None:
        try:
            show(jog.line(text))
        except (Refusal, ControllerRefused) as refused:
            show(str(refused))
        except RunStopped as stopped:
            show(str(stopped))
            jog.recover()
            show(jog.status())
