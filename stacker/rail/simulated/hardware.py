"""Motor, switches, contacts and supply of the simulated board, event by event."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from stacker.rail.simulated.options import SimulatedOptions
from stacker.rail.simulated.state import NEVER_S, State
from stacker.rail.simulated.switches import CLEAR_S, TRIP_S, Switches
from stacker.rail.simulated.trapezoid import trapezoid

FAR = 1 << 30
SEEKS = ("seek-leave", "seek", "seek-back")  # off the switch if it is hit, toward it, slowly off it


class Hardware:
    """What happens by itself as time passes; the controller orders, this obeys.

    Parameters
    ----------
    state : State
        Shared with the controller.
    options : SimulatedOptions
        From the URL.
    log : callable
        Takes one dict for each thing that happened.
    """

    def __init__(self, state: State, options: SimulatedOptions, log: Callable[[dict[str, Any]], None]) -> None:
        self.state, self.options, self.log = state, options, log
        self.camera_answers = options.sync == "wired"
        self.sync_stuck = options.sync == "stuck"
        self.switches = Switches(state, options, self.place)
        self._acts = (
            self._contact_closes,
            self._shutter_opens,
            self._contacts_open,
            self._shot_ends,
            self._switch,
            self._motion_ends,
            self._deadman,
        )

    # -- where things are

    def counted(self) -> int:
        """Pulses sent so far."""
        motion = self.state.motion
        return self.state.count if motion is None else motion.position(self.state.now_s)

    def place(self) -> float:
        """True position of the carriage [microsteps from the low end]."""
        return self.state.carriage.at(self.counted(), self.options)

    def active(self) -> bool:
        """Whether the deadman runs."""
        return self.state.motion is not None or self.state.contacts

    # -- what the controller orders

    def go(self, target: int, speed: float, acceleration: float, phase: str, why: str) -> None:
        """Start a motion from rest."""
        s = self.state
        if s.now_s < s.exposed_until_s:
            self.log({"event": "blur", "why": "motion began while the shutter was open"})
        s.motion = trapezoid(s.now_s, s.count, target, speed, acceleration)
        s.phase, s.why, s.slowing, s.rate = phase, why, False, acceleration
        s.deadman_s = s.now_s + s.deadman_ms / 1000
        self.log({"event": "start", "from": s.count, "to": target})
        self._watch_switch()

    def seek(self, switch: str) -> None:
        """Go for a limit switch; one that reads hit is first left."""
        self.state.sought = -1 if switch == "low" else 1
        self._seek_on("seek-leave" if self.switches.hit(switch) else "seek")

    def _seek_on(self, phase: str) -> None:
        """The next part of a seek, each with its bound: a cut wire reads hit for ever, a bridged one never does."""
        s, o = self.state, self.options
        way, speed = (o.travel, o.slow_speed) if phase == "seek" else (o.overtravel, o.slow_speed // 8)
        direction = s.sought if phase == "seek" else -s.sought
        target = max(-FAR, min(FAR, s.count + direction * way))
        self.go(target, speed, o.slow_acceleration, phase, "missed")

    def brake(self, why: str) -> None:
        """Decelerate to rest; a motion that already slows keeps its reason."""
        s = self.state
        if s.motion is None:
            return
        if s.slowing:
            if s.phase.startswith("seek"):  # seeking turns round by itself: not any more
                s.phase, s.why = "slow", why
            return
        s.motion = s.motion.braked(s.now_s, s.rate)
        s.phase, s.why, s.slowing = "slow", why, True
        self._watch_switch()

    def end_at_once(self, why: str) -> None:
        """No pulse from now on; a motor that was moving is then somewhere else than counted."""
        s = self.state
        if s.motion is not None:
            self.log({"event": "sudden", "why": why})
            self._rest()
            self.lose(why)

    def lose(self, why: str) -> None:
        """The position is no longer known."""
        self.state.known, self.state.limits, self.state.ended = False, None, why

    def fire(self, shot: int) -> None:
        """Close the focus contact now and the shutter contact after the focus time."""
        s = self.state
        wired = s.sync_ms > 0 and self.options.sync != "none"
        s.shot, s.shot_state = shot, "firing"
        s.sync = "waiting" if wired else "unwired"
        s.contacts, s.focus_s = True, s.now_s
        s.closes_s = s.now_s + s.focus_ms / 1000
        s.releases_s = s.closes_s + s.closed_ms / 1000
        s.shot_ends_s = s.closes_s + max(s.busy_ms, s.sync_ms if wired else 0) / 1000
        s.deadman_s = s.now_s + s.deadman_ms / 1000
        self.log({"event": "focus", "closed": True})

    def log_stop(self, *, at_once: bool) -> None:
        """Note where and how fast the motor was when a stop byte came."""
        motion = self.state.motion
        speed = 0.0 if motion is None else motion.speed(self.state.now_s)
        self.log({"event": "stop", "at_once": at_once, "counted": self.counted(), "speed": round(speed, 3)})

    def release(self) -> None:
        """Open both contacts before their time; a shot in progress is cut."""
        s = self.state
        if s.shot_state == "firing":
            s.shot_state, s.shot_ends_s = "cut", NEVER_S
            self._end_sync()
        if s.contacts:
            self.log({"event": "contact", "closed": False})
            self.log({"event": "focus", "closed": False})
        s.contacts, s.closes_s, s.releases_s = False, NEVER_S, NEVER_S

    def _end_sync(self) -> None:
        s = self.state
        if s.sync == "waiting":
            s.sync = "stuck" if self.sync_stuck else "open"

    # -- time

    def next_event(self) -> tuple[float, Callable[[], None]]:
        """The next thing that happens by itself; asked several times for every byte on the wire."""
        s = self.state
        times_s = (
            s.closes_s,
            s.opens_s,
            s.releases_s,
            s.shot_ends_s,
            s.switch_s,
            NEVER_S if s.motion is None else s.motion.end_s,
            s.deadman_s if self.active() else NEVER_S,
        )
        first_s = min(times_s)
        return first_s, self._acts[times_s.index(first_s)]

    def _contact_closes(self) -> None:
        s = self.state
        s.closes_s = NEVER_S
        opens_s, why = s.camera.signal(s.now_s, s.focus_s, self.options)
        self.log({"event": "contact", "closed": True, "shot": s.shot})
        if opens_s is None:
            self.log({"event": "ignored", "why": why})
        else:
            s.opens_s = opens_s

    def _shutter_opens(self) -> None:
        s = self.state
        s.opens_s = NEVER_S
        s.exposed_until_s = s.now_s + self.options.exposure_s
        place = self.place()
        self.log({"event": "shutter", "position_microsteps": round(place) if place == round(place) else place})
        if s.motion is not None:
            self.log({"event": "blur", "why": "shutter opened in motion"})
        if s.shot_state == "firing" and s.sync == "waiting" and self.camera_answers and not self.sync_stuck:
            s.sync = "closed"
            contact_s = s.releases_s - s.closed_ms / 1000 if s.contacts else s.now_s
            s.shot_ends_s = max(s.now_s, contact_s + s.busy_ms / 1000)

    def _contacts_open(self) -> None:
        self.state.contacts, self.state.releases_s = False, NEVER_S
        self.log({"event": "contact", "closed": False})
        self.log({"event": "focus", "closed": False})

    def _shot_ends(self) -> None:
        s = self.state
        s.shot_ends_s, s.shot_state = NEVER_S, "fired"
        self._end_sync()

    def _deadman(self) -> None:
        s = self.state
        s.deadman_s, s.latched = NEVER_S, True
        self.log({"event": "deadman"})
        self.brake("deadman")
        self.release()

    def _motion_ends(self) -> None:
        s = self.state
        phase, why = s.phase, s.why
        self._rest()
        if phase in SEEKS:  # came to the bound of this part: its count is in doubt
            self.lose("missed")
            s.latched = True
        elif phase == "seek-left":
            self._seek_on("seek")
        elif phase == "seek-overrun":
            self._seek_on("seek-back")
        else:
            s.ended = why

    def _rest(self) -> None:
        s = self.state
        if s.motion is None:
            return
        s.count = self.counted()
        s.carriage.settle(s.motion, s.count, self.options)
        s.motion, s.slowing, s.phase, s.switch_s = None, False, "", NEVER_S
        self.log({"event": "rest", "counted": s.count, "position_microsteps": s.carriage.place})

    # -- switches

    def _watch_switch(self) -> None:
        """Find when the present motion opens the switch ahead of it, or closes the one behind when it seeks."""
        s = self.state
        s.switch_s = NEVER_S
        if s.motion is None or s.phase in ("seek-left", "seek-overrun"):
            return
        leaving = s.phase in ("seek-leave", "seek-back")
        ahead = "high" if s.motion.direction > 0 else "low"
        switch = ("low" if ahead == "high" else "high") if leaving else ahead

        def changed(at_s: float) -> bool:
            assert s.motion is not None
            place = s.carriage.at(s.motion.position(at_s), self.options)
            return self.switches.open_at(switch, place) != leaving

        low_s, high_s = s.now_s, s.motion.end_s
        if not self.switches.fitted(switch) or changed(low_s) or not changed(high_s):
            return
        while high_s - low_s > 1e-7:
            middle_s = (low_s + high_s) / 2
            low_s, high_s = (low_s, middle_s) if changed(middle_s) else (middle_s, high_s)
        s.switch_s = high_s + (CLEAR_S if leaving else TRIP_S)
        if leaving:
            s.edge = s.motion.position(high_s)

    def _switch(self) -> None:
        s = self.state
        s.switch_s = NEVER_S
        if s.motion is None:
            return
        if s.phase not in SEEKS:
            self.trip("high" if s.motion.direction > 0 else "low")
            return
        then = {"seek-leave": "seek-left", "seek": "seek-overrun", "seek-back": "slow"}[s.phase]
        self.brake("found")
        s.phase = then
        if then == "seek-overrun":
            s.switch_s = NEVER_S

    def trip(self, switch: str) -> None:
        """A limit switch opened in motion."""
        self.log({"event": "switch", "which": switch})
        self.end_at_once(switch)
        self.state.latched = True

    # -- what a test does to the board

    def press(self, switch: str, *, hit: bool) -> None:
        """Open or close a limit switch by hand."""
        s = self.state
        if not self.switches.press(switch, hit=hit) or s.motion is None:
            return
        sought = switch == ("low" if s.sought < 0 else "high") and s.phase.startswith("seek")
        if not sought:
            if hit:
                self.trip(switch)
        elif hit and s.phase == "seek":
            s.switch_s = s.now_s + TRIP_S
        elif not hit and s.phase in ("seek-leave", "seek-back"):
            s.edge, s.switch_s = self.counted(), s.now_s + CLEAR_S

    def set_supply(self, *, on: bool) -> None:
        """Take the motor supply away, or give it back; only a board with a sense input notices."""
        s = self.state
        was, s.supply = s.supply, on
        if was and not on and self.options.supply == "sensed":
            self.log({"event": "supply gone"})
            self.end_at_once("supply")
            self.lose("supply")
            self.release()
            s.latched = True
