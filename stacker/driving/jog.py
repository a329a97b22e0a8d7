"""Moving the rail by hand: typed lines or keys, front and back marked by eye, nothing past the soft limits.

Every stop is approached from the side from which the run will approach it, so that a mark is where a frame would be.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from stacker.driving.bench import make_ready, name_place
from stacker.driving.bring_up import by, go, on_a_switch
from stacker.driving.creeper import Creeper
from stacker.driving.jog_keys import HELP, STEPS_MM
from stacker.errors import LinkError, Refusal, RunStopped
from stacker.rail.controller import ControllerRefused
from stacker.rail.rail import Rail

SEARCH_MM_S = 1.0  # before anything is marked nobody knows where the subject is
NEAR_MM, NEAR_MM_S = 2.0, 0.5  # from that far before the first mark on, and anywhere behind it

_NUMBER = re.compile(r"[+-]?[0-9]{1,5}(\.[0-9]{1,6})?")


class Jog:
    """A person at the rail.

    Parameters
    ----------
    rail : Rail
        Connected; it knows the soft limits.
    direction : int
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
        self, rail: Rail, *, direction: int, take_back_stop: Callable[[], None] = lambda: None, index: float = 1.0
    ) -> None:
        self._rail, self._direction, self._take_back_stop, self._index = rail, direction, take_back_stop, index
        self._settings = rail.settings
        self._step = self._microsteps(0.1)
        self._speed = 0
        self._played_out = False  # whether the rail stands where a run would have put it
        self.front: int | None = None
        self.back: int | None = None
        self.done = False
        self.known = make_ready(rail).known
        self._creeper = Creeper()
        self._set_limits()

    # -- lengths

    def _microsteps(self, mm: float) -> int:
        return self._settings.microsteps(mm)

    def mm(self, microsteps: int) -> float:
        """Microsteps as mm."""
        return microsteps / self._settings.microsteps_per_mm

    # -- what is typed

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
                self._name_place(_number(place))
            case ["creep", distance]:
                self._creep(self._microsteps(_number(distance)))
            case ["help" | "?"]:
                return HELP
            case ["done" | "quit"]:
                self.done = True
            case _:
                self._go(self._target(words, text))
        return self.status()

    def _target(self, words: list[str], text: str) -> int:
        """Where a line that moves wants to go [microsteps]."""
        match words:
            case ["+" | "-" as sign]:
                return self._here() + (self._step if sign == "+" else -self._step)
            case ["to", "front" | "back" as mark]:
                return self._marked(mark)
            case ["to", place]:
                return self._microsteps(_number(place))
            case [distance] if distance[0] in "+-":
                return self._here() + self._microsteps(_number(distance))
        raise Refusal(f"'{_shown(text)}' is not understood; 'help' lists what is. Nothing moved.", code="line")

    def _mark(self, mark: str) -> str:
        here, before = self._here(), getattr(self, mark)
        if mark == "back" and self.front is not None and here <= self.front:
            raise Refusal(
                f"the back would not be deeper than the front ({self.mm(self.front):.4f} mm): not marked. Were they "
                "swapped, or does the rail count the wrong way?",
                code="marks",
            )
        said = "" if before in (None, here) else f"; {mark} was {self.mm(before):.4f}"
        if mark == "front" and self.back is not None and self.back <= here:
            self.back, said = None, f"{said}; the back is forgotten, it would not be deeper"
        setattr(self, mark, here)
        if not self._played_out and self._settings.take_up:
            said += "; the backlash is not taken up as in a run: go a step back and one deeper, mark again"
        return self.status() + said

    def status(self) -> str:
        """Position, step and marks, on one line."""
        if not self.known:
            moved = self._creeper.moved_text(self._rail)
            gap = "\n" if moved else " "
            return (
                f"position lost{moved}:{gap}read the rail's scale and type, for example, 'here 41.2'\n"
                "(without a scale: measure with a ruler how far it is from the low end of travel)\n"
                "'creep 0.5' moves it even so, slowly, 1 mm at most, and no soft limit applies"
            )
        parts = [f"at {self.mm(self._rail.here()):.4f} mm", f"step {self.mm(self._step):.3g}"]
        parts += [
            f"{name} {self.mm(at):.4f}" for name, at in (("front", self.front), ("back", self.back)) if at is not None
        ]
        if self.front is not None and self.back is not None:
            depth_mm = self._index * self.mm(self.back - self.front)
            parts.append(f"{'' if self._index == 1 else 'true '}depth {depth_mm:.4f}")
        return ", ".join(parts)

    def recover(self) -> None:
        """After a move that ended early: at rest again, with a rail that may move.

        Raises
        ------
        LinkError
            When nobody answers.
        """
        if self._rail.come_to_rest() is None:
            raise LinkError("the controller no longer answers. Look at the rail.", code="no_reply")
        self._take_back_stop()
        self._rail = self._rail.renewed()
        self.known, self._played_out = make_ready(self._rail).known, False
        if not self.known:
            self.front = self.back = None  # marks of a count that is lost
        self._speed = 0
        self._set_limits()

    # -- what is done

    def _set_limits(self) -> None:
        if self.known:
            self._rail.narrow(self._settings.soft_low, self._settings.soft_high)

    def _here(self) -> int:
        if not self.known:
            raise Refusal(self.status(), code="position_unknown")
        return self._rail.here()

    def _marked(self, mark: str) -> int:
        at: int | None = getattr(self, mark)
        if at is None:
            raise Refusal(f"the {mark} is not marked yet. Nothing moved.", code="no_mark")
        return at

    def _set_step(self, mm: float) -> None:
        if not 1 <= self._microsteps(mm) <= self._microsteps(STEPS_MM[-1]):
            raise Refusal(
                f"found {mm:g}; a step is from {self.mm(1):.4g} mm (a microstep) to {STEPS_MM[-1]:g} mm.", code="step"
            )
        self._step = self._microsteps(mm)

    def _name_place(self, mm: float) -> None:
        if self.known:
            raise Refusal(
                f"the rail knows where it is ({self.mm(self._rail.here()):.4f} mm); here is for a lost position.",
                code="position_known",
            )
        name_place(self._rail, self._microsteps(mm))
        self._rail.forget()
        self.known, self._creeper = True, Creeper()
        self._set_limits()

    def _creep(self, distance: int) -> None:
        if self.known:
            raise Refusal("the rail knows where it is: type the distance alone, as +0.5. Nothing moved.", code="known")
        self._creeper.go(self._rail, distance)

    def _go(self, position: int) -> None:
        """Go there in legs: slowly near the subject, faster elsewhere; the last leg from the side of the run."""
        here, edge = self._here(), self._near_from()
        inside = self._settings.soft_low <= position <= self._settings.soft_high
        if not inside and not on_a_switch(self._rail):
            low_mm, high_mm = self.mm(self._settings.soft_low), self.mm(self._settings.soft_high)
            raise Refusal(
                f"{self.mm(position):.3f} mm is outside the soft limits, {low_mm:.3f} to {high_mm:.3f} mm. "
                "Nothing moved.",
                code="limits",
                key="rail.soft_limits_mm",
            )
        if position == here:
            return
        self._played_out = False
        if on_a_switch(self._rail):
            self._step_off(position)
            return
        if edge is not None and min(here, position) < edge < max(here, position):
            self._set_speed(near=here > edge)
            self._rail.move(edge)
        self._set_speed(near=edge is not None and max(position, self._rail.here()) > edge)
        direction = self._direction_at(position)
        self._rail.approach(position, direction)
        self._played_out = direction == self._direction

    def _step_off(self, position: int) -> None:
        """Off a limit switch that reads hit: slowly, a millimetre at a time."""
        errand = by(self._rail, position - self._here())
        go(self._rail, errand)
        self._set_limits()

    def _direction_at(self, position: int) -> int:
        """The run's, except where the take-up would leave the soft limits: there the move goes straight."""
        before = position - self._direction * self._settings.take_up
        if self._settings.soft_low <= before <= self._settings.soft_high:
            return self._direction
        return -self._direction

    def _near_from(self) -> int | None:
        """Where the subject is near, from here on deeper; None before anything is marked."""
        marks = [mark for mark in (self.front, self.back) if mark is not None]
        return min(marks) - self._microsteps(NEAR_MM) if marks else None

    def _set_speed(self, *, near: bool) -> None:
        most_mm_s = NEAR_MM_S if near else SEARCH_MM_S if self._near_from() is None else float("inf")
        most = most_mm_s * self._settings.microsteps_per_mm
        speed = self._settings.speed if self._settings.speed <= most else max(1, int(most // 1))
        if speed != self._speed:
            self._rail.settings = replace(self._settings, speed=speed)
            self._rail.set_up()
            self._speed = speed

    # -- what comes of it

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
        if self.back is not None and not rear:
            # jogged on the rail itself, the depth has the lead's error already: the plan adds no margin for it
            depth_mm = self._index * self.mm(self.back - self.front)
            found |= {"subject.depth_mm": round(depth_mm, 4), "subject.depth_source": "rail"}
        return found | {"subject.front_at_mm": round(self.mm(self.front), 4)}


def _number(text: str) -> float:
    if not _NUMBER.fullmatch(text):
        shown = _shown(text)
        hint = f"write {shown.replace(',', '.')}" if _NUMBER.fullmatch(text.replace(",", ".")) else "write mm, as 0.5"
        raise Refusal(f"found '{shown}'; {hint}. Nothing moved.", code="number")
    return float(text)


def _shown(text: str) -> str:
    plain = "".join(sign if sign.isprintable() else "?" for sign in text.strip())
    return plain if len(plain) <= 40 else plain[:37] + "..."


def converse(jog: Jog, read: Callable[[], str | None], tell: Callable[[str], None]) -> None:
    """Take what is typed, one after the other, until the person is done; what goes wrong is told and survived.

    Parameters
    ----------
    jog : Jog
        At the rail.
    read : callable
        The next typed line or key as `Jog.line` takes it; None: no more.
    tell : callable
        Shows a line.

    Raises
    ------
    LinkError
        When nobody answers any more.
    """
    tell(jog.status())
    while not jog.done and (text := read()) is not None:
        try:
            tell(jog.line(text))
        except (Refusal, ControllerRefused) as refused:
            tell(str(refused))
        except RunStopped as stopped:
            tell(str(stopped))
            jog.recover()
            tell(jog.status())
