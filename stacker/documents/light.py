"""The block ``light`` of a request: exposures, brackets, what a flash can bear."""

from __future__ import annotations

from collections.abc import Iterator

from stacker.documents.fields import declare
from stacker.documents.values import Choice, Flag, ListOf, Number
from stacker.records import record


def _listed(values: tuple[float, ...]) -> str:
    return f"[{', '.join(f'{value:g}' for value in values)}]"


@record
class Light:
    """The light: how long an exposure takes and when the next may start."""

    kind: str = declare(Choice(words=("flash", "continuous")), "flash or continuous light")
    exposure_s: float = declare(
        Number(unit="s", above=0, most=3600),
        "shutter time, as metered through this rig (light loss is already in it)",
    )
    at_f_number: float | None = declare(
        Number(above=0.3, most=128),
        "marked f-number at which exposure_s was metered: at another one a lamp's exposure follows; rig.f_number where "
        "it is missing",
        default=None,
    )
    recycle_s: float = declare(
        Number(unit="s", least=0, most=3600), "from one flash until the next may fire", default=0.0
    )
    bracket_stops: tuple[float, ...] = declare(
        ListOf(item=Number(unit="stops", least=-10, most=10), most=15),
        "exposures of a bracket of every frame, in stops from exposure_s: the camera takes it at one release "
        "(bracket_s), or the rail fires each (bracket_gap_s)",
        default=(),
        left_out=True,
    )
    bracket_s: float | None = declare(
        Number(unit="s", above=0, most=36_000),
        "a whole bracket, first shutter opening to last closing, as timed on this camera",
        default=None,
        left_out=True,
    )
    bracket_gap_s: float | None = declare(
        Number(unit="s", above=0, most=3600),
        "the rail fires every exposure of a bracket by itself, so long after the one before has ended",
        default=None,
        left_out=True,
    )
    rest_after: int | None = declare(
        Number(whole=True, least=1, most=100_000),
        "flashes one after the other until it must cool, as its manual says; the run then waits rest_s",
        default=None,
        left_out=True,
    )
    rest_s: float = declare(
        Number(unit="s", least=0, most=3600), "how long it cools after rest_after flashes", default=0.0, left_out=True
    )
    flashes_a_charge: int | None = declare(
        Number(whole=True, least=1, most=1_000_000),
        "flashes of this power that one set of its batteries gives",
        default=None,
        left_out=True,
    )
    moves_with_subject: bool = declare(Flag(), "whether the lamps ride on the stage with the subject", default=False)

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """The aperture changes the time of a lamp, and the power of a flash."""
        if self.kind == "flash" and self.at_f_number is not None:
            yield "at_f_number", "found with a flash, whose power follows the aperture and not its time; leave it out"
        yield from self._conflicts_of_brackets()
        if (self.rest_after is None) != (self.rest_s == 0):
            key, other = ("rest_s", "rest_after") if self.rest_after is None else ("rest_after", "rest_s")
            yield key, f"found without {other}; write both: so many flashes, then so many seconds of rest"
        for key in ("rest_after", "flashes_a_charge"):
            if self.kind != "flash" and getattr(self, key) is not None:
                yield key, "found with continuous light; it is for a flash: leave it out"

    def _conflicts_of_brackets(self) -> Iterator[tuple[str, str]]:
        """A bracket is several exposures of a lamp, and takes at least their sum."""
        stops, whole_s, gap_s = self.bracket_stops, self.bracket_s, self.bracket_gap_s
        if not stops:
            for key in ("bracket_s", "bracket_gap_s"):
                if getattr(self, key) is not None:
                    yield key, "found without bracket_stops; write both: which exposures, and how long they take"
        elif len(set(stops)) < len(stops) or len(stops) < 2:
            yield "bracket_stops", f"found {_listed(stops)}; write two different exposures or more"
        elif self.kind == "flash":
            yield "bracket_stops", "found with a flash, whose power no shutter time changes; leave it out"
        elif whole_s is not None and gap_s is not None:
            yield "bracket_gap_s", "found beside bracket_s; the camera takes the bracket or the rail, leave one out"
        elif whole_s is None and gap_s is None:
            yield (
                "bracket_stops",
                "found without bracket_s; time one bracket of the camera's, first opening to last closing; or let the "
                "rail fire each exposure: bracket_gap_s, 0.5 for a start",
            )
        elif whole_s is not None and whole_s < self._exposures_s(self.exposure_s):
            yield "bracket_s", f"found {whole_s:g}; its exposures alone take {self._exposures_s(self.exposure_s):.4g} s"

    def _exposures_s(self, exposure_s: float) -> float:
        return exposure_s * sum(2**stop for stop in self.bracket_stops)

    @property
    def pictures(self) -> int:
        """Pictures of every frame."""
        return max(1, len(self.bracket_stops))

    def open_s(self, exposure_s: float) -> float:
        """From the first shutter opening to the last closing of a frame with that metered exposure [s]."""
        if self.bracket_gap_s is not None:
            return self._exposures_s(exposure_s) + (self.pictures - 1) * self.bracket_gap_s
        if self.bracket_s is None:
            return exposure_s
        between_s = self.bracket_s - self._exposures_s(self.exposure_s)  # whatever is metered, the camera needs that
        return self._exposures_s(exposure_s) + between_s
