"""Moves of the rail: limits on every one, backlash taken up, position verified, interrupts obeyed within a slice."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from stacker.errors import LinkError, Refusal, RunStopped, StackerError
from stacker.motion.take_up import Direction, before_stop
from stacker.rail.controller import Controller, ControllerRefused, Where
from stacker.rail.settings import RailSettings
from stacker.rail.stops import BY_WHAT_HAPPENED, Interrupted, StopOrder, ended_early, what_happened

SLICE_S = 0.05  # an interrupt is seen within it
MARGIN, MARGIN_S = 1.1, 2.0  # protocol page, section 9: a move may take that much longer than predicted
SOON_S = 0.004  # how often the end of a move is asked for once it is due


class Rail:
    """A rail at the end of a link.

    Parameters
    ----------
    controller : Controller
        Connected and taken over by this host.
    settings : RailSettings
        The rail in microsteps.
    stop_order : callable
        What the person wants right now; asked every 50 ms.

    Attributes
    ----------
    arrived_s : float
        When the rail was at rest after the last move, by the controller's word and at the latest [s of its clock].
    """

    def __init__(
        self,
        controller: Controller,
        settings: RailSettings,
        stop_order: Callable[[], StopOrder] = lambda: StopOrder.GO_ON,
    ) -> None:
        self.controller, self.settings, self._stop_order = controller, settings, stop_order
        self.clock = controller.clock
        self.bounds = (settings.soft_low, settings.soft_high)
        self.arrived_s = self.clock.now()
        self._pushed = 0  # the direction of the last move; 0: nobody knows
        self._last: int | None = None
        self._obeyed = StopOrder.GO_ON

    def renewed(self) -> Rail:
        """The same rail after an obeyed stop, free to move again; its limits must be set anew."""
        fresh = Rail(self.controller, self.settings, self._stop_order)
        self.controller.attend = fresh.attend
        return fresh

    # -- before the first move

    def set_up(self) -> None:
        """Tell the controller how to move."""
        s = self.settings
        self.controller.configure(speed=s.speed, acceleration=s.acceleration, deadman_s=s.deadman_s)

    def narrow(self, low: int, high: int) -> None:
        """Let nothing leave this range [microsteps, the rail's coordinates], here, in the link and in the controller.

        Raises
        ------
        Refusal
            When the range itself leaves the soft limits.
        """
        self.check(low)
        self.check(high)
        self.bounds = (low, high)
        self.controller.set_limits(low, high)

    def check(self, position: int) -> None:
        """Refuse a position outside the limits [microsteps]."""
        low, high = self.bounds
        if not low <= position <= high:
            mm = self.settings.mm
            raise Refusal(
                f"position {position} microsteps ({mm(position):.3f} mm) is outside the limits, "
                f"{low} to {high} ({mm(low):.3f} to {mm(high):.3f} mm).",
                code="limits",
                key="rail.soft_limits_mm",
            )

    # -- the person's stop_order

    def attend(self) -> None:
        """Obey an interrupt that came since the last look: send the stop byte."""
        stop_order = self._stop_order()
        if stop_order > self._obeyed:
            self._obeyed = stop_order
            self._send_stop()

    def _send_stop(self) -> None:
        self.controller.stop(at_once=self._obeyed is StopOrder.STOP_AT_ONCE)

    @property
    def stopping(self) -> bool:
        """Whether a stop was ordered."""
        return self._obeyed > StopOrder.GO_ON

    def raise_if_stopped(self) -> None:
        """Leave the run when a stop was ordered."""
        self.attend()
        if self.stopping:
            raise Interrupted

    def wait_until(self, due_s: float, *, through: bool = False) -> None:
        """Wait until that time in slices; a stop ends it, unless it must be waited `through`.

        The controller is asked now and then: a contact may still be closed, and its deadman must be fed.
        """
        asked_s = self.clock.now()
        while True:
            self.attend()
            now_s = self.clock.now()
            left_s = due_s - now_s
            if left_s <= 0 or (self.stopping and not through):
                return
            if now_s - asked_s >= self.controller.poll_s and left_s > self.controller.poll_s:
                self.controller.where()
                asked_s = now_s
            self.clock.sleep(min(left_s, SLICE_S))

    # -- moves

    def here(self) -> int:
        """The counted position [microsteps]; asked only when it is not known from the last move."""
        if self._last is None:
            self._last = self.controller.where().position
        return self._last

    def forget(self) -> None:
        """Something else moved the rail: ask where it is, and take up the play, before the next move."""
        self._last, self._pushed = None, 0

    def approach(self, position: int, direction: Direction) -> None:
        """Go to a position so that the last motion is in `direction` (1 or -1), and verify that it is reached.

        Raises
        ------
        Refusal
            When the position or the place for the take-up is outside the bounds: nothing moves.
        Interrupted, PositionLost, RunStopped
            When the rail stopped on the way.
        """
        self.check(position)
        if (position - self.here()) * direction < 0 or self._pushed != direction:
            self.move(before_stop(position, direction=direction, take_up=self.settings.take_up))
        self.move(position)
        self._pushed = direction

    def move(self, position: int) -> None:
        """A move, verified; returns when the rail is at rest there."""
        self.check(position)
        for stop in self._pieces(position):
            self._move_straight(stop)

    def _pieces(self, position: int) -> list[int]:
        """Where a move pauses, for a controller that cannot stop one under way; the last is the position itself.

        A pause lies between here and there: on the way into the limits it may lie outside, never on the way out.
        """
        longest_s = self.controller.longest_move_s
        if longest_s is None:
            return [position]
        start, longest = self.here(), self.settings.longest_way(longest_s)
        way = longest if position > start else -longest
        return [*range(start + way, position, way), position]

    def _move_straight(self, position: int) -> None:
        self.raise_if_stopped()
        start = self.here()
        if position == start:
            return
        self._last = None
        with self.halting():
            try:
                self.controller.start_move(position)
            except ControllerRefused as refused:
                raise self.error_behind(refused) from refused
            took_s = self.settings.move_s(position - start)
            due_s = self.controller.acted_s + took_s
            where = self.await_rest(due_s, self.clock.now() + took_s * MARGIN + MARGIN_S)
        self.raise_if_stopped()
        if where.position != position or not where.known:
            raise ended_early(where, position)
        self._pushed = 1 if position > start else -1
        self._last = position

    @contextmanager
    def halting(self) -> Iterator[None]:
        """Send a stop when anything goes wrong meanwhile: nobody should have to wait for the deadman."""
        try:
            yield
        except ControllerRefused:
            raise  # nothing moves, or another host has the rail
        except BaseException:
            with suppress(LinkError):
                self.controller.stop()
            raise

    def await_rest(self, due_s: float, give_up_s: float, watch: Callable[[Where], None] = lambda _: None) -> Where:
        """Ask until the rail rests, at `due_s` for the first time or sooner for the deadman's sake.

        Parameters
        ----------
        due_s, give_up_s : float
            When it should rest, and when something is wrong [s of the clock].
        watch : callable
            Told each answer; what it raises ends the waiting.

        Raises
        ------
        RunStopped
            When it moves still at `give_up_s`.
        """
        while True:
            self._sleep_until(min(due_s, self.clock.now() + self.controller.poll_s))
            asked_s = self.clock.now()
            where = self.controller.where()
            self.attend()
            watch(where)
            if where.resting:
                self.arrived_s = self.controller.acted_s
                return where
            if asked_s >= due_s:
                due_s = asked_s + SOON_S
            if self.stopping:
                self._send_stop()  # the first may have been lost on the line
                due_s = asked_s + SOON_S
            if asked_s > give_up_s:
                raise RunStopped(
                    "the rail is still moving, long after it should have come to rest; a stop was sent. Look at it, "
                    "and compare speed_mm_s and acceleration_mm_s2 of the profile with what the controller accepts.",
                    code="late",
                )

    def _sleep_until(self, due_s: float) -> None:
        before = self._obeyed
        while (left_s := due_s - self.clock.now()) > 0 and self._obeyed == before:
            self.clock.sleep(min(left_s, SLICE_S))
            self.attend()

    def error_behind(self, refused: ControllerRefused) -> StackerError:
        """A refusal as what happened, where the controller knows: a stop that overtook the request, a lost position."""
        self.attend()
        if self.stopping:
            return Interrupted()
        return what_happened(refused, self.controller.where()) if refused.reason in BY_WHAT_HAPPENED else refused

    def come_to_rest(self) -> Where | None:
        """After a stop: wait until nothing moves and say where; None when nobody answers any more."""
        brakes_s = self.settings.speed / self.settings.acceleration
        ends_s = max(brakes_s, self.controller.longest_move_s or 0.0)  # a piece that nothing stops goes on to its end
        give_up_s = self.clock.now() + ends_s * MARGIN + MARGIN_S
        try:
            while True:
                self.attend()
                where = self.controller.where()
                if where.resting:
                    return where
                if self.clock.now() > give_up_s:
                    self.controller.stop(at_once=True)
                    return None
                self.clock.sleep(SOON_S)
        except (LinkError, RunStopped):
            return None
