"""The codes of warnings in a plan, and what each means at the bench."""

from __future__ import annotations

WARNINGS: dict[str, str] = {
    "field_too_small": "The subject is wider than the field. Use less magnification, or shoot it in parts.",
    "diffraction": (
        "Diffraction hides detail that a wider aperture would show on the subject. Stopping down makes the slices "
        "thicker and the stack shorter, but every frame softer: open up, and take more frames."
    ),
    "shutter_shock": (
        "Continuous light from 1/60 to 1 s at life size with a mechanical shutter: its shock blurs the frame. At m "
        "times life size it shows from 1/(60 m) to 1 + ln m seconds. Use an electronic first curtain, an electronic "
        "shutter, flash, or a longer or shorter exposure."
    ),
    "flash_electronic": (
        "Most electronic shutters read the sensor line by line and cannot be lit by one flash. Use the mechanical "
        "shutter or an electronic first curtain, or continuous light."
    ),
    "flash_sync": (
        "A shutter with curtains is fully open only down to its flash time, 1/250 s or longer; below it a flash lights "
        "part of the frame. What freezes the motion is the flash, not the shutter."
    ),
    "contradiction": (
        "Two values of the request do not go together, or one is far from anything on a bench: most often a slip of a "
        "unit. The text names the value that would fit."
    ),
    "spherical_aberration": (
        "Glass or resin in front of the subject, or a tube length that an objective is not made for, adds spherical "
        "aberration, which grows with the fourth power of the aperture. The plan takes the lens for perfect: from one "
        "wave on (W040) its picture is visibly softer than planned."
    ),
    "card_change": (
        "The stack does not fit on one empty card. Changing it touches the camera, and the frames before and after no "
        "longer match."
    ),
    "flash_charge": (
        "One set of the flash's batteries does not last for the stack. It grows weaker and slower before it is empty; "
        "put in fresh ones, or feed it from the mains by the maker's own supply."
    ),
    "light_stays": (
        "The subject moves and the light stays: shadows and brightness drift from frame to frame. Let the lamps ride "
        "along on the stage, or move the camera."
    ),
    "coarse_microsteps": (
        "A step is only a few microsteps, and under load a single microstep is not positioned exactly. Use finer "
        "microsteps, a finer lead, or a larger step."
    ),
    "working_distance_unknown": (
        "Beyond life size the rim of the lens comes close to the subject, and how close is not known. Measure it, "
        "write working_distance_mm, and watch the first moves."
    ),
    "other_model": (
        "The blur circle and the sum of two depths describe a slice, not what its seams keep: they are up to twice too "
        "thick when pixels rule, and the blur circle is many times too thin when diffraction does. The contrast model "
        "fits both."
    ),
    "gap_risk": (
        "The rail's scatter, and the periodic error of its screw where that is known, make it likely that some seam "
        "falls below the share of contrast asked for. It is a soft seam, not a hole. Use more overlap, or a better "
        "rail."
    ),
    "repeatability_unknown": (
        "Nobody has said how well the rail repeats, so the chance that some seam falls short cannot be told. The text "
        "says what it would be for a good, a usual and a poor rail. Measure it with 'stacker calibrate rail'."
    ),
    "high_na": (
        "Above NA 0.5 the model is an approximation. Its defocus is exact at the edge of the pupil and parabolic "
        "inside; by the exact phase steps could be longer: by 0.7 % at NA 0.55, 2.7 % at 0.8, 8.5 % at 0.95. "
        "Polarisation, apodisation and cover glass are not modelled and may take that back: ask for more seam "
        "contrast than you need."
    ),
}
