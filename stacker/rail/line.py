"""Dialect ``line``: the host's side of ``hardware_notes/protocol.md``; section numbers are that page's."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Sequence
from dataclasses import replace

from stacker.errors import LinkError, Refusal
from stacker.rail.controller import (
    NOBODY,
    ControllerRefused,
    ControllerReset,
    Identity,
    Jogs,
    ShotState,
    Switches,
    Where,
)
from stacker.rail.framing import framed, request_bytes, unframed
from stacker.rail.link import Lines

VERSION = 1
STOP, STOP_AT_ONCE = b"\x8e\x8e\x8e", b"\x98\x98\x98"  # three times: one may be lost (section 3)
TRIES = 10  # section 9
REPLY_S, REPLY_BYTES = 0.1, 128  # section 9
CONNECT_S, IDENTIFY_EVERY_S = 2.5, 0.25  # section 9

# What a refusal means for the person at the bench (section 10).
MEANINGS = {
    "boot": "it was reset since; the position is lost",
    "session": "another program has taken the rail over",
    "busy": "it is moving or making an exposure",
    "stopped": "it was stopped; it needs clearing before it moves again",
    "lost": "it does not know where the rail is",
    "limits": "the target lies outside its limits, or it has none",
    "switch": "a limit switch is hit",
    "supply": "the motor has no supply",
    "unheld": "the motor is not energised",
    "place": "the rail does not stand where this frame belongs",
    "shot": "that exposure was already made",
    "range": "a number is outside what it accepts; compare speed and acceleration of the profile with its firmware",
}


class LineController:
    """A controller that speaks our line protocol.

    Parameters
    ----------
    link : Lines
        Open.
    extra_s : float
        What adapter and system add to a reply's time [s].
    session : int, optional
        Session number; drawn at random unless given.
    """

    def __init__(self, link: Lines, *, extra_s: float = 0.05, session: int | None = None) -> None:
        self._link = link
        self.clock = link.clock
        self._wait_s = REPLY_S + REPLY_BYTES * link.byte_s + extra_s
        self.session = f"{session or secrets.randbelow(0xFFFFFFFF) + 1:08X}"
        self._boot = 0
        self._sequence = 0
        self._settings: dict[str, tuple[int, ...]] = {}
        self.bounds: tuple[int, int] | None = None
        self.attend: Callable[[], None] = lambda: None  # called while waiting for a reply
        self.poll_s = 0.5
        self.longest_move_s: float | None = None
        self.lead_s = request_bytes("fire", 10, 64_000) * link.byte_s
        self.question_s = request_bytes("shot") * link.byte_s
        self.acted_s = self.clock.now()
        self._focus_s = 0.0

    # -- lines

    def ask(self, verb: str, *arguments: int | str) -> list[str]:
        """Send one request, again if need be, and return the words after ``ok``.

        Raises
        ------
        ControllerRefused
            For ``no``.
        ControllerReset
            When the controller was reset since `connect`.
        LinkError
            When no whole reply comes in ten tries.
        Refusal
            For a move outside the bounds: such a line is never sent.
        """
        if verb in ("move", "jog"):
            self._check_bounds(int(arguments[0]))
        self._sequence += 1
        head = f"ask {self._boot:04X} {self.session} {self._sequence:08X} {verb}"
        line = framed(" ".join([head, *map(str, arguments)]))
        for attempt in range(TRIES):
            self._link.send(b"\n" + line if attempt else line)
            words = self._reply()
            if words is not None:
                return self._judged(verb, words)
        raise LinkError(
            f"{self._link.url}: no answer to '{verb}' in {TRIES} tries. Look at cable, supply and baud rate.",
            code="no_reply",
        )

    def _check_bounds(self, position: int) -> None:
        low, high = self.bounds or (1, 0)
        if not low <= position <= high:
            said = f"{low} to {high}" if self.bounds else "not set"
            raise Refusal(f"move to {position} microsteps not sent: the limits of this run are {said}.", code="limits")

    def _reply(self) -> list[str] | None:
        mine = ["say", self.session, f"{self._sequence:08X}"]
        deadline_s = self.clock.now() + self._wait_s
        while True:
            line = self._link.read_line(deadline_s)
            words = unframed(line) if line is not None else None
            if line is not None and words and words[:3] == mine and len(words) > 3:
                # a repeated request may have been acted on at once or at its last try: an answer follows both
                self.acted_s = self.clock.now() - (len(line) + 1) * self._link.least_byte_s
                return words[3:]
            if words and words[0] == "note" and len(words) > 1 and self._boot and words[1] != f"{self._boot:04X}":
                raise self._was_reset(words[1])
            self.attend()
            if line is None and self.clock.now() >= deadline_s:
                return None

    def _judged(self, verb: str, words: Sequence[str]) -> list[str]:
        if words[0] == "ok":
            return list(words[1:])
        reason, detail = (words[1] if len(words) > 1 else "?"), " ".join(words[2:])
        if reason == "boot":
            raise self._was_reset(detail)
        meaning = MEANINGS.get(reason, "controller and program do not agree on the protocol")
        raise ControllerRefused(
            reason,
            detail,
            f"{self._link.url}: the controller refused '{verb}': {reason} {detail}".rstrip() + f" ({meaning}).",
        )

    def _was_reset(self, boot: str) -> ControllerReset:
        return ControllerReset(
            f"{self._link.url}: the controller was reset (boot {self._boot:04X}, now {boot}): the position is lost. "
            "Look at its supply, then go on with --resume.",
            code="controller_reset",
        )

    def _counted(self, words: Sequence[str], count: int) -> list[str]:
        if len(words) != count:
            raise LinkError(f"{self._link.url}: a reply of {len(words)} words where {count} belong.", code="protocol")
        return list(words)

    def _whole(self, word: str, base: int = 10) -> int:
        try:
            return int(word, base)
        except ValueError:
            raise LinkError(f"{self._link.url}: '{word}' in a reply where a number belongs.", code="protocol") from None

    # -- section 4 and 6

    @property
    def jogs(self) -> Jogs:
        """Itself."""
        return self

    @property
    def switches(self) -> Switches:
        """Itself."""
        return self

    def connect(self) -> Identity:
        """Ask who is there until somebody answers; changes nothing."""
        give_up_s = self.clock.now() + CONNECT_S
        while True:
            self._sequence += 1
            self._link.send(b"\n" + framed(f"ask 0000 {self.session} {self._sequence:08X} identify"))
            asked_s = self.clock.now()
            words = self._reply()
            if words and words[0] == "ok":
                break
            if self.clock.now() >= give_up_s:
                raise LinkError(
                    f"{self._link.url}: nobody answers. Look at cable, supply and baud rate; "
                    "'stacker rail ports' lists the ports.",
                    code="no_reply",
                )
            self.clock.sleep(asked_s + IDENTIFY_EVERY_S - self.clock.now())
        version, boot, turn, present, name = self._counted(words[1:], 5)
        if self._whole(version) != VERSION:
            raise LinkError(f"{self._link.url}: protocol {version}; this program speaks {VERSION}.", code="protocol")
        self._boot, self._present = self._whole(boot, 16), present
        turn_microsteps = self._whole(turn)
        return Identity(
            name=name, version=VERSION, boot=self._boot, microsteps_per_turn=turn_microsteps, session=present
        )

    def take_over(self) -> None:
        """Open this host's session in the place of the one that `connect` saw."""
        self.ask("open", self._present)

    def only_look(self) -> None:
        """Ask as nobody: `where`, `state`, `shot` and `edge` are answered, nothing changes, no host is replaced."""
        self.session = NOBODY

    def configure(self, *, speed: int, acceleration: int, deadman_s: float) -> None:
        """Set speed, acceleration and deadman."""
        self.ask("speed", speed)
        self.ask("accel", acceleration)
        self.ask("deadman", round(deadman_s * 1000))
        self.poll_s = deadman_s / 4

    def set_limits(self, low: int, high: int) -> None:
        """Set the limits of controller and link."""
        self.ask("limits", low, high)
        self.bounds = (low, high)

    def where(self) -> Where:
        """Ask where the rail is."""
        motion, trust, position, ended = self._counted(self.ask("where"), 4)
        return Where(resting=motion == "rest", known=trust == "known", position=self._whole(position), ended=ended)

    def start_move(self, position: int) -> None:
        """Start a move; checked against the bounds just before the line is sent."""
        self.ask("move", position)

    def jog(self, position: int) -> None:
        """Start a slow move of at most 1 mm, which also runs while the position is lost."""
        self.ask("jog", position)

    def declare(self, position: int) -> None:
        """Name the present place."""
        self.bounds = None
        self.ask("declare", position)

    def hold(self, *, on: bool) -> None:
        """Energise the motor or let go."""
        self.ask("hold", "on" if on else "off")

    def clear(self) -> None:
        """Take the latch away."""
        self.ask("clear")

    def seek(self, end: str) -> None:
        """Start seeking a limit switch."""
        self.bounds = None
        self.ask("seek", end)

    def reads_hit(self, end: str) -> bool:
        """Whether that limit switch reads hit."""
        low, high, *_ = self.state()
        return (low if end == "low" else high) == "hit"

    def edge(self) -> int:
        """Where the switch cleared in the last seek [microsteps]."""
        return self._whole(self._counted(self.ask("edge"), 1)[0])

    def state(self) -> list[str]:
        """Both switches, supply, hold, limits, latch."""
        return self._counted(self.ask("state"), 6)

    def stop(self, *, at_once: bool = False) -> None:
        """Send the stop byte; it overtakes whatever is under way."""
        self._link.send(STOP_AT_ONCE if at_once else STOP)

    def set_shutter(self, *, pulse_s: float, focus_s: float, sync_s: float) -> None:
        """Set contact times and the wait for the sync contact."""
        self.ask("shutter", max(1, round(pulse_s * 1000)), round(focus_s * 1000))
        self._focus_s, self._sync_ms = focus_s, round(sync_s * 1000)
        self._settings.pop("watch", None)

    def set_busy(self, busy_s: float) -> None:
        """Set how long a shot counts as in progress, when that has changed."""
        watch = (round(busy_s * 1000 + 0.4999), self._sync_ms)
        if self._settings.get("watch") != watch:
            self.ask("watch", *watch)
            self._settings["watch"] = watch

    def fire(self, shot: int, position: int) -> ShotState:
        """Make exposure `shot`, which acts once."""
        state = self._shot_state(self.ask("fire", shot, position))
        return replace(state, closed_s=self.acted_s + self._focus_s)

    def shot(self) -> ShotState:
        """Ask for the last shot."""
        return self._shot_state(self.ask("shot"))

    def _shot_state(self, words: list[str]) -> ShotState:
        shot, state, sync = self._counted(words, 3)
        return ShotState(shot=self._whole(shot), over=state != "firing", cut=state == "cut", sync=sync)

    def close(self) -> None:
        """Let go of the port."""
        self._link.close()
