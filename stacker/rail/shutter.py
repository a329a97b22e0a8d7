"""Opening the shutter, and what proves that it opened."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from stacker.errors import Refusal, RunStopped
from stacker.motion.frame_clock import Pace
from stacker.rail.controller import ControllerRefused, ShotState
from stacker.rail.rail import MARGIN_S, Rail
from stacker.rail.wire_time import ROUNDED_S

OUTCOME_EVERY_S = 0.02
LAST_SHOT = 0xFFFFFFFF  # protocol page, section 7
HELD_SHARE = 1.1  # of the exposure asked for: a tenth is a seventh of a stop, and nobody sees it


class Ambiguous(RunStopped):
    """Nobody can say whether the exposure was made; it is shot again on resume."""


class SyncStayedOpen(RunStopped):
    """The camera did not answer the shutter contact."""


class NoSyncEvidence(RunStopped):
    """The sync contact was asked for, and cannot prove anything: no frame after this one could be relied upon."""


def check_held(shot: int, *, held_s: float, asked_s: float) -> None:
    """Doubt an exposure during which this computer held the contact for too long: it may have been asleep.

    Raises
    ------
    Ambiguous
        Beyond a tenth of the exposure asked for.
    """
    if held_s > HELD_SHARE * asked_s:
        raise Ambiguous(
            f"shot {shot} was exposed for {held_s:.2f} s instead of {asked_s:.2f} s: it does not count. Was this "
            "computer asleep, or too busy?",
            code="overexposed",
        )


class Shutter(Protocol):
    """One way to make an exposure, in two halves, so that the journal can be written between them."""

    def set_up(self) -> None:
        """Before the first frame."""

    def next_shot(self, at_least: int) -> int:
        """A shot number never used before."""

    def prepare(self, exposure_s: float) -> None:
        """Before a frame, while the rail settles."""

    def lead_s(self) -> float:
        """How long before the due time `fire` must be called."""

    def fire(self, shot: int, position: int) -> float:
        """Open the shutter; returns when the contact closed [s of the clock]."""

    def outcome(self, shot: int, opened_s: float, exposure_s: float) -> str:
        """Wait until the exposure is over and return the evidence for it."""

    def close(self) -> None:
        """After the last frame."""


class RailShutter:
    """The controller closes the camera's contacts.

    Parameters
    ----------
    rail : Rail
        Its rail.
    pace : Pace
        How long the contacts close, and the mirror and lag behind them.
    sync_s : float
        How long the flash-sync contact is awaited [s]; 0: not wired.
    """

    def __init__(self, rail: Rail, pace: Pace, *, sync_s: float = 0.0) -> None:
        self._rail, self._pace, self._sync_s = rail, pace, sync_s
        self._closed_s = 0.0
        self._asked_s: float | None = None  # how long the contact is to be held for the exposure

    def set_up(self) -> None:
        """Set contact times in the controller."""
        self._set_contact(self._pace.contact_s)

    def _set_contact(self, closed_s: float) -> None:
        self._rail.controller.set_shutter(pulse_s=closed_s, focus_s=self._pace.focus_s, sync_s=self._sync_s)
        self._closed_s = closed_s

    def next_shot(self, at_least: int) -> int:
        """One more than the controller's last, and no less than asked.

        Raises
        ------
        Refusal
            When there is none.
        """
        number = max(at_least, self._rail.controller.shot().shot + 1)
        if number > LAST_SHOT:
            raise Refusal(
                "the controller has no shot number left: it was given the last one. Switch it off and on.",
                code="no_shot_left",
            )
        return number

    def prepare(self, exposure_s: float) -> None:
        """Have the controller keep the rail still while the shutter is open, and on B hold it open."""
        if self._closed_s != (closed_s := self._pace.closed_s(exposure_s)):
            self._set_contact(closed_s)
        self._rail.controller.set_busy(self._pace.delay_s + exposure_s)
        self._asked_s = closed_s if self._pace.bulb else None

    def lead_s(self) -> float:
        """The request's time on the wire, and the focus contact's."""
        return self._rail.controller.lead_s + self._pace.focus_s

    def fire(self, shot: int, position: int) -> float:
        """Order the exposure, which acts once for each shot number; returns when the contact closed at the latest.

        Raises
        ------
        Ambiguous
            When another shot is told, or the host held the contact for longer than the exposure asked for.
        """
        state = self._fired(shot, position)
        if state.shot != shot:
            raise Ambiguous(f"the controller answered for shot {state.shot} instead of {shot}.", code="ambiguous")
        if self._asked_s is not None and state.held_s is not None:
            check_held(shot, held_s=state.held_s, asked_s=self._asked_s)
        return self._rail.clock.now() if state.closed_s is None else state.closed_s

    def _fired(self, shot: int, position: int) -> ShotState:
        """Ask again while it is busy: its contacts are closed still, and nothing is wrong."""
        rail = self._rail
        give_up_s = rail.clock.now() + self._closed_s + self._pace.focus_s + self._sync_s + MARGIN_S
        while True:
            try:
                return rail.controller.fire(shot, position)
            except ControllerRefused as refused:
                if refused.reason != "busy" or rail.clock.now() > give_up_s:
                    raise rail.error_behind(refused) from refused
            rail.wait_until(rail.clock.now() + OUTCOME_EVERY_S)
            rail.raise_if_stopped()

    def outcome(self, shot: int, opened_s: float, exposure_s: float) -> str:
        """Ask until the shot is over; ``sync`` when the contact closed, ``pulse`` when it is not wired.

        Raises
        ------
        Ambiguous
            When the shot was cut, or another one is told.
        SyncStayedOpen
            When the contact is wired and stayed open.
        NoSyncEvidence
            When it is asked for and not wired, or was closed all the time.
        """
        rail, over_s = self._rail, opened_s + self._pace.delay_s + exposure_s + ROUNDED_S
        give_up_s = over_s + self._sync_s + MARGIN_S
        while True:
            rail.wait_until(over_s - rail.controller.question_s, through=True)
            state = rail.controller.shot()
            if state.shot != shot or state.cut:
                raise Ambiguous(f"shot {shot} was ended before its time.", code="ambiguous")
            if state.over:
                break
            if rail.clock.now() > give_up_s:
                raise Ambiguous(f"shot {shot} has not ended long after it should have.", code="ambiguous")
            over_s = rail.clock.now() + rail.controller.question_s + OUTCOME_EVERY_S
        if state.sync == "open":
            raise SyncStayedOpen(
                "the camera's sync contact stayed open: no exposure. Look at the camera: asleep, card full, battery, "
                "cable, focus priority.",
                code="sync_open",
            )
        if state.sync == "stuck":
            raise NoSyncEvidence(
                "the camera's sync contact was closed before the shutter opened and stayed so: it proves nothing. Look "
                "at its plug and wires, and at the polarity of its loop (wiring.md).",
                code="sync_stuck",
            )
        if state.sync == "closed":
            return "sync"
        if self._sync_s > 0:
            raise NoSyncEvidence(
                "the profile asks for the sync contact (sync_s), and this controller has none: nothing would prove an "
                "exposure. Wire it and set SYNC_CONTACT_BUILT_IN in the firmware, or write sync_s: 0.",
                code="sync_unwired",
            )
        return "pulse"

    def close(self) -> None:
        """The controller's contacts open by themselves."""


class ManualShutter:
    """A person presses the button.

    Parameters
    ----------
    rail : Rail
        Stands still meanwhile.
    ask : callable
        Shows a text, returns True when the person says that the frame is taken, False to stop.
    """

    def __init__(self, rail: Rail, ask: Callable[[str], bool]) -> None:
        self._rail, self._ask = rail, ask
        self._taken = False

    def set_up(self) -> None:
        """Nothing to set."""

    def next_shot(self, at_least: int) -> int:
        """Any number does."""
        return at_least

    def prepare(self, exposure_s: float) -> None:
        """Nothing to set."""

    def lead_s(self) -> float:
        """A person is not led."""
        return 0.0

    def fire(self, shot: int, position: int) -> float:
        """Ask for the frame."""
        at_mm = self._rail.settings.mm(position)
        self._taken = self._ask(f"take the picture now (shot {shot}, rail at {at_mm:.3f} mm)")
        return self._rail.clock.now()

    def outcome(self, shot: int, opened_s: float, exposure_s: float) -> str:
        """The person's word."""
        del opened_s, exposure_s
        if not self._taken:
            raise Ambiguous(f"shot {shot} was not confirmed.", code="ambiguous")
        return "person"

    def close(self) -> None:
        """Nothing to let go of."""
