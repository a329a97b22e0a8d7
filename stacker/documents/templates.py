"""Commented files to start from: one request for each kind of rig, and the two kinds of rail."""

from __future__ import annotations

_RIGS = {
    "lens": """\
rig:
  kind: lens                  # an ordinary lens, perhaps on tubes
  focal_length_mm: 55         # as marked
  max_magnification: 0.13     # of the lens alone, from its data sheet
  minimum_focus_mm: 500       # nearest, subject to sensor: data sheet
  # pupil_magnification: 1    # exit over entrance pupil: width of the aperture
                              # as seen from behind over that from the front
  f_number: 5.6               # marked: read it with the lens at infinity
  tubes_mm: [11, 34]          # tubes between lens and camera; [] for none
  focused_at: nearest         # or infinity, or magnification of the bare lens
""",
    "reversed": """\
rig:
  kind: reversed              # a lens turned round
  focal_length_mm: 35         # as marked
  f_number: 5.6               # marked: read it with the lens at infinity
  # pupil_magnification: 1.2  # exit over entrance pupil: width of the aperture
                              # at the mount end over that at the front element
  field_width_mm: 10.5        # width of the picture, from a photographed ruler
  register_mm: 44             # mount to sensor, as the lens was made for
""",
    "coupled": """\
rig:
  kind: coupled               # a reversed lens in front of one at infinity
  rear_focal_length_mm: 180   # the lens on the camera
  rear_f_number: 5.6
  front_focal_length_mm: 45   # the reversed lens
  front_f_number: 2.8
  working_distance_mm: 38     # measured, rim to the front of the subject
""",
    "objective": """\
rig:
  kind: objective             # a microscope objective
  magnification: 5            # engraved
  na: 0.12                    # engraved
  reference_mm: 190           # tube lens the engraving is for
  tube_lens_mm: 170           # the lens you use it on, focused at infinity
  working_distance_mm: 34     # from its data sheet
""",
    "measured": """\
rig:
  kind: measured              # any rig with a photographed ruler
  field_width_mm: 18.2        # width of the picture, from that ruler
  f_number: 5.6               # marked: read it with the lens at infinity
  # pupil_magnification: 1    # exit over entrance pupil: width of the aperture
                              # as seen from behind over that from the front
  working_distance_mm: 55     # measured, rim to the front of the subject
""",
    "bellows": """\
moves: rear                   # lens and subject stay, the sensor moves
rig:
  kind: lens
  focal_length_mm: 80         # a lens without a focusing ring of its own
  max_magnification: 0        # so it adds nothing to the bellows
  # pupil_magnification: 1    # exit over entrance pupil: width of the aperture
                              # as seen from behind over that from the front
  f_number: 5.6               # marked: read it with the lens at infinity
  tubes_mm: [120]             # draw of the bellows when the front is in focus
  working_distance_mm: 120    # measured, rim to the front of the subject
""",
}

_REST = """\
camera:
  sensor_mm: [23.5, 15.7]
  pixels: [6000, 4000]
  raw_mb: 28                  # one raw file
  card_gb: 64
  battery_frames: 400         # the maker's rating
  shutter: electronic_first_curtain   # or mechanical, electronic
light:
  kind: flash                 # flash or continuous
  exposure_s: 0.005           # a lamp's: add at_f_number, where metered
  recycle_s: 2
subject:
  depth_mm: 4                 # front to back of what must be sharp
  # index: 1.54               # in resin behind a flat face: its index
  width_mm: {width_mm}
  keep_clear_mm: 2            # nothing comes closer to the subject
focus:
  overlap: 0.3                # or seam_contrast: 0.9
# rail: bench.rail.yaml       # 'stacker new rail' prints one; without: um
"""

_RAILS = {
    "rail": """\
name: Bench rail
travel_mm: 80                 # hard stop to hard stop
soft_limits_mm: [2, 78]       # the rail never leaves these
full_steps_per_turn: 200      # a motor of 1.8 degrees
microsteps_per_full_step: 16  # as the driver's jumpers are set
lead_mm: 2                    # travel per turn of the screw
speed_mm_s: 3
acceleration_mm_s2: 15
backlash_um: 15               # measure it: 'stacker explain backlash_um'
repeatability_um: 1.5         # one standard deviation; null if unknown
settle_s: 0.8                 # after a move, until nothing shakes
link: {url: "sim://bench"}    # or a port: see 'stacker rail ports'
shutter: {via: rail, pulse_s: 0.2}
""",
    "hand_rail": """\
name: Hand rail
travel_mm: 25
soft_limits_mm: [0.5, 24.5]
dial: {mm_per_turn: 0.5, divisions: 50}
backlash_um: 30
# frame_s: 15                 # a frame by hand, turning and all: time ten
""",
}

KINDS = (*_RIGS, *_RAILS)


def template(kind: str) -> str:
    """The commented file for one of `KINDS`."""
    if kind in _RAILS:
        return _RAILS[kind]
    width_mm = 4 if kind == "objective" else 9
    return f"name: My subject\n{_RIGS[kind]}{_REST.format(width_mm=width_mm)}"
