"""The subject block of a request: how deep it is, what lies where in it, and what must not touch it."""

from __future__ import annotations

from collections.abc import Iterator

from stacker.documents.fields import Block, declare
from stacker.documents.values import Choice, ListOf, Number, Text
from stacker.records import record

_LENGTH_MM = Number(unit="mm", above=0, most=100_000)
_SHARE = Number(above=0, most=0.99)


@record
class Zone:
    """A depth range that must be stepped more finely."""

    name: str | None = declare(Text(), "what lies there", default=None)
    from_mm: float = declare(Number(unit="mm", least=0, most=10_000), "start, from the front of the subject")
    to_mm: float = declare(Number(unit="mm", above=0, most=10_000), "end, from the front of the subject")
    overlap: float | None = declare(Number(least=0, most=0.95), "overlap in this zone", default=None)
    kept_contrast: float | None = declare(_SHARE, "share of contrast kept in this zone", default=None)

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """A range in order, and something that it changes."""
        if self.to_mm <= self.from_mm:
            yield "to_mm", f"found {self.to_mm:g}; write a depth beyond from_mm ({self.from_mm:g})"
        if self.overlap is None and self.kept_contrast is None:
            yield "overlap", "missing; write overlap or kept_contrast, else the zone changes nothing"


@record
class Gap:
    """A depth range in which nothing need be sharp."""

    from_mm: float = declare(Number(unit="mm", above=0, most=10_000), "start, from the front of the subject")
    to_mm: float = declare(Number(unit="mm", above=0, most=10_000), "end, from the front of the subject")

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """A range in order."""
        if self.to_mm <= self.from_mm:
            yield "to_mm", f"found {self.to_mm:g}; write a depth beyond from_mm ({self.from_mm:g})"


@record
class Subject:
    """The subject: how deep it is and what must not touch it."""

    depth_mm: float = declare(Number(unit="mm", above=0, most=10_000), "front to back of what must be sharp")
    width_mm: float | None = declare(_LENGTH_MM, "width of what must be in the picture", default=None)
    height_mm: float | None = declare(_LENGTH_MM, "height of what must be in the picture", default=None, left_out=True)
    keep_clear_mm: float = declare(
        Number(unit="mm", least=0, most=1000),
        "no part of the rig comes closer to the subject",
        default=1.0,
        assumed=True,
    )
    index: float = declare(
        Number(least=1, most=2.5),
        "refractive index of the resin, amber or water that the subject lies in, behind a flat face and with a dry "
        "lens; depths are true depths, and the rail moves that many times less",
        default=1.0,
    )
    below_face_mm: float = declare(
        Number(unit="mm", least=0, most=1000),
        "from that flat face to the front of the subject, as a true depth",
        default=0.0,
        assumed=True,
    )
    cover_glass_mm: float = declare(
        Number(unit="mm", least=0, most=10), "glass in front of the subject: 0.17 for a cover slip", default=0.0
    )
    front_at_mm: float | None = declare(
        Number(unit="mm", least=-10_000, most=10_000), "rail position with the front in focus", default=None
    )
    depth_source: str = declare(
        Choice(words=("measured", "rail")),
        "how depth_mm was found; 'rail' (jogged on this rail) carries no lead error",
        default="measured",
    )
    zones: tuple[Zone, ...] = declare(
        ListOf(item=Block(variants={"": Zone}), most=20), "depth ranges that need finer steps", default=()
    )
    gaps: tuple[Gap, ...] = declare(
        ListOf(item=Block(variants={"": Gap}), most=20),
        "depth ranges that hold nothing, so that no frame need lie in them; front and back lie outside of them",
        default=(),
        left_out=True,
    )

    def idle(self) -> Iterator[str]:
        """Without a flat face nothing lies below one."""
        if self.index == 1:
            yield "below_face_mm"

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """Zones lie in the subject; what is below a face has an index."""
        if self.below_face_mm and self.index == 1:
            yield "below_face_mm", f"found {self.below_face_mm:g} without index; write the index of what lies there too"
        for place, zone in enumerate(self.zones, start=1):
            if zone.from_mm >= self.depth_mm:
                yield (
                    f"zones[{place}].from_mm",
                    f"found {zone.from_mm:g}; the subject ends at {self.depth_mm:g} mm",
                )
        for place, gap in enumerate(self.gaps, start=1):
            if gap.to_mm >= self.depth_mm:
                yield (
                    f"gaps[{place}].to_mm",
                    f"found {gap.to_mm:g}; the subject ends at {self.depth_mm:g} mm, and its back is no gap",
                )
            for zone in self.zones:
                if gap.from_mm < zone.to_mm and zone.from_mm < gap.to_mm:
                    yield (
                        f"gaps[{place}].from_mm",
                        f"found a gap from {gap.from_mm:g} to {gap.to_mm:g} mm; the zone from {zone.from_mm:g} to "
                        f"{zone.to_mm:g} mm lies in it: end one where the other begins",
                    )
