"""The block ``camera`` of a request."""

from __future__ import annotations

from collections.abc import Iterator

from stacker.documents.fields import declare
from stacker.documents.values import Choice, ListOf, Number
from stacker.records import record


@record
class Camera:
    """The camera: sensor, files, battery, shutter."""

    sensor_mm: tuple[float, float] = declare(
        ListOf(item=Number(unit="mm", above=0, most=300), length=2), "width and height of the sensor"
    )
    pixels: tuple[int, int] = declare(
        ListOf(item=Number(whole=True, least=16, most=200_000), length=2),
        "columns and rows of a full picture",
    )
    raw_mb: float | None = declare(
        Number(unit="MB", above=0, most=10_000), "size of one raw file (10^6 bytes)", default=None
    )
    card_gb: float | None = declare(
        Number(unit="GB", above=0, most=100_000), "size of a memory card (10^9 bytes)", default=None
    )
    battery_frames: int | None = declare(
        Number(whole=True, least=1, most=100_000),
        "rating of one battery in frames (CIPA DC-002)",
        default=None,
    )
    buffer_frames: int | None = declare(
        Number(whole=True, least=1, most=10_000),
        "frames the camera holds before it must have written one",
        default=None,
    )
    write_mb_s: float | None = declare(Number(unit="MB/s", above=0, most=100_000), "speed of the card", default=None)
    shutter: str | None = declare(
        Choice(words=("mechanical", "electronic_first_curtain", "electronic")),
        "which shutter the camera uses",
        default=None,
    )
    mirror_s: float = declare(Number(unit="s", least=0, most=60), "mirror up to shutter open", default=0.0)
    lag_s: float = declare(Number(unit="s", least=0, most=60), "release contact to shutter open", default=0.0)

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """Pixels are square to within what nominal sensor sizes are good to."""
        across, down = self.sensor_mm[0] / self.pixels[0], self.sensor_mm[1] / self.pixels[1]
        if abs(across / down - 1) > 0.05:  # two nominal sizes, each good to 1 %, and borders left out of the picture
            yield (
                "pixels",
                f"found pixels of {across * 1000:.2f} by {down * 1000:.2f} um; write width before height in both keys",
            )
