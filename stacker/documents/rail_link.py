"""What is wired to a rail: the controller at the end of a port, and what opens the camera's shutter."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from stacker.documents.fields import Block, declare
from stacker.documents.gcode_link import GcodeLink
from stacker.documents.values import Choice, Flag, ListOf, Number, Text
from stacker.records import record


def _url() -> Any:
    return declare(Text(), "serial port, or an address such as socket://127.0.0.1:7000 or sim://bench")


def _baud() -> Any:
    return declare(
        Number(whole=True, least=300, most=4_000_000),
        "speed of the serial line, whose bytes the plan's time counts; behind socket:// of the line at the far end, "
        "and what a network adds is not known",
        default=115_200,
    )


@record
class Link:
    """How the computer reaches a controller that speaks our line protocol."""

    url: str = _url()
    dialect: str = declare(
        Choice(words=("line", "gcode")),
        "what the controller understands: our line protocol, or RS274/NGC words (with the key acknowledge)",
        default="line",
    )
    baud: int = _baud()
    deadman_s: float = declare(
        Number(unit="s", least=0.4, most=60),
        "the controller stops by itself after this long without a question",
        default=2.0,
    )
    reply_extra_s: float = declare(
        Number(unit="s", least=0, most=10),
        "added to the wait for a reply (adapters, radio, a busy computer)",
        default=0.05,
    )

    @property
    def gcode(self) -> None:
        """It speaks no RS274/NGC words."""

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """The other dialect has keys of its own."""
        if self.dialect == "gcode":
            yield (
                "dialect",
                "found gcode without acknowledge; write acknowledge: [the words by which this controller says that "
                "it has taken a line], there is no standard for them",
            )


LINK = Block(variants={"acknowledge": GcodeLink, "": Link}, chosen_by="acknowledge")


@record
class Shutter:
    """What opens the camera's shutter."""

    via: str = declare(
        Choice(words=("rail", "rts", "dtr", "command", "manual")),
        "the rail's controller; a modem line of a port of its own; a command; or a person at the camera",
        default="rail",
    )
    pulse_s: float = declare(
        Number(unit="s", least=0.01, most=10), "how long the release contact stays closed", default=0.2
    )
    bulb: bool = declare(
        Flag(),
        "the camera is set to B: the contact stays closed for the exposure, for times longer than its own",
        default=False,
    )
    focus_s: float = declare(
        Number(unit="s", least=0, most=60),
        "focus contact closes this long before, to wake the camera",
        default=0.0,
    )
    sync_s: float = declare(
        Number(unit="s", least=0, most=60),
        "how long the flash-sync contact is awaited; 0: not wired. A run stops at its first frame when the controller "
        "has no such contact, or when it is closed all the time",
        default=0.0,
    )
    on_open_sync: str = declare(
        Choice(words=("stop", "repeat")), "what to do when the sync contact stayed open", default="stop"
    )
    repeats: int = declare(
        Number(whole=True, least=0, most=10),
        "how often one frame is repeated before the run stops",
        default=2,
    )
    port: str | None = declare(
        Text(),
        "serial port with the release on RTS or DTR, not the rail's. Opening a port may raise both lines for a moment "
        "and fire the camera: connect it after the run has asked for it",
        default=None,
    )
    command: tuple[str, ...] = declare(
        ListOf(item=Text()), "program and arguments that take one frame, as a list; no shell reads it", default=()
    )
    timeout_s: float = declare(
        Number(unit="s", above=0, most=3600),
        "a command that takes longer is ended, and whether the frame was taken is in doubt",
        default=30.0,
    )
    frame_s: float | None = declare(
        Number(unit="s", above=0, most=3600),
        "with via manual: what a frame takes, moving, settling and pressing included, as you measured it",
        default=None,
        left_out=True,
    )

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """Each way has its own keys."""
        if self.frame_s is not None and self.via != "manual":
            yield "frame_s", f"found with via {self.via}, whose time is reckoned; leave it out"
        if self.via in ("rts", "dtr") and self.port is None:
            yield "port", f"missing; via {self.via} needs a serial port of its own"
        if self.via == "command" and not self.command:
            yield "command", "missing; write the program and its arguments as a list in brackets"
        if self.via in ("command", "manual") and self.bulb:
            yield "bulb", f"found true with via {self.via}; only rail, rts and dtr hold a contact"
        for key in ("focus_s", "sync_s"):
            if self.via != "rail" and getattr(self, key) > 0:
                yield (
                    key,
                    f"found {getattr(self, key):g} with via {self.via}; only the rail's controller has that contact",
                )
