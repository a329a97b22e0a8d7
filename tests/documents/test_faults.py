"""Malformed requests and rails: each case gives exactly these messages, no traceback and no file."""

from __future__ import annotations

from pathlib import Path

import pytest

from stacker.cli.main import main

MEASURED = "rig: {kind: measured, magnification: 0.87, f_number: 5.6}\n"
CAMERA = "camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}\n"
SUBJECT = "subject: {depth_mm: 3.4}\n"
RAIL = (
    "travel_mm: 80\nsoft_limits_mm: [2, 78]\nfull_steps_per_turn: 200\nmicrosteps_per_full_step: 16\n"
    "lead_mm: 2\nspeed_mm_s: 3\nacceleration_mm_s2: 15\nbacklash_um: 15\n"
)

CASES: list[tuple[str, str, list[str]]] = [
    (
        "decimal comma",
        MEASURED + CAMERA + "subject: {depth_mm: 3,4}\n",
        ["in.yaml:3:21: subject.depth_mm: found '3,4'; write 3.4"],
    ),
    (
        "decimal comma in block",
        MEASURED + CAMERA + "subject:\n  depth_mm: 3,4\n",
        ["in.yaml:4:13: subject.depth_mm: found '3,4'; write 3.4"],
    ),
    (
        "ratio for a magnification",
        "rig: {kind: measured, magnification: 1:1, f_number: 5.6}\n" + CAMERA + SUBJECT,
        ["in.yaml:1:38: rig.magnification: found '1:1'; write 1"],
    ),
    (
        "ratio as half",
        "rig: {kind: measured, magnification: 1:2, f_number: 5.6}\n" + CAMERA + SUBJECT,
        ["in.yaml:1:38: rig.magnification: found '1:2'; write 0.5"],
    ),
    (
        "exponent without a point",
        MEASURED + CAMERA + "subject: {depth_mm: 1e-3}\n",
        ["in.yaml:3:21: subject.depth_mm: found '1e-3'; write 0.001"],
    ),
    (
        "leading zero",
        MEASURED + CAMERA + "subject: {depth_mm: 010}\n",
        ["in.yaml:3:21: subject.depth_mm: found '010'; write 10"],
    ),
    (
        "number in quotes",
        MEASURED + CAMERA + 'subject: {depth_mm: "3.4"}\n',
        ["in.yaml:3:21: subject.depth_mm: found '\"3.4\"'; write 3.4 without quotes"],
    ),
    (
        "unit behind the number",
        MEASURED + CAMERA + "subject: {depth_mm: 3.4 mm}\n",
        ["in.yaml:3:21: subject.depth_mm: found '3.4 mm'; write 3.4, the number alone"],
    ),
    (
        "unit without a space",
        MEASURED + CAMERA + "subject: {depth_mm: 3.4mm}\n",
        ["in.yaml:3:21: subject.depth_mm: found '3.4mm'; write 3.4, the number alone"],
    ),
    (
        "another unit",
        MEASURED + CAMERA + "subject: {depth_mm: 340 um}\n",
        ["in.yaml:3:21: subject.depth_mm: found '340 um'; write 0.34"],
    ),
    (
        "f-number as on the ring",
        "rig: {kind: measured, magnification: 0.87, f_number: f/5.6}\n" + CAMERA + SUBJECT,
        ["in.yaml:1:54: rig.f_number: found 'f/5.6'; write 5.6"],
    ),
    (
        "magnification with an x",
        "rig: {kind: measured, magnification: 0.87x, f_number: 5.6}\n" + CAMERA + SUBJECT,
        ["in.yaml:1:38: rig.magnification: found '0.87x'; write 0.87, the number alone"],
    ),
    (
        "per cent",
        MEASURED + CAMERA + SUBJECT + "focus: {overlap: 30%}\n",
        ["in.yaml:4:18: focus.overlap: found '30%'; write 0.3"],
    ),
    (
        "overlap of one",
        MEASURED + CAMERA + SUBJECT + "focus: {overlap: 1}\n",
        ["in.yaml:4:18: focus.overlap: found 1; write a number from 0 to 0.95"],
    ),
    (
        "overlap below zero",
        MEASURED + CAMERA + SUBJECT + "focus: {overlap: -0.1}\n",
        ["in.yaml:4:18: focus.overlap: found -0.1; write a number from 0 to 0.95"],
    ),
    (
        "fraction of a second",
        MEASURED + CAMERA + SUBJECT + "light: {kind: flash, exposure_s: 1/160}\n",
        ["in.yaml:4:34: light.exposure_s: found '1/160'; write 0.00625"],
    ),
    (
        "not a number",
        MEASURED + CAMERA + "subject: {depth_mm: .nan}\n",
        ["in.yaml:3:21: subject.depth_mm: found '.nan'; write a number above 0 and up to 10000, in mm"],
    ),
    (
        "infinite",
        MEASURED + CAMERA + "subject: {depth_mm: .inf}\n",
        ["in.yaml:3:21: subject.depth_mm: found '.inf'; write a number above 0 and up to 10000, in mm"],
    ),
    (
        "too large to be finite",
        MEASURED + CAMERA + "subject: {depth_mm: 1.0e999}\n",
        ["in.yaml:3:21: subject.depth_mm: found '1.0e999'; write a number above 0 and up to 10000, in mm"],
    ),
    (
        "underscores",
        MEASURED + CAMERA + "subject: {depth_mm: 1_000}\n",
        ["in.yaml:3:21: subject.depth_mm: found '1_000'; write a number above 0 and up to 10000, in mm"],
    ),
    (
        "thousands comma",
        MEASURED + 'camera: {sensor_mm: [23.5, 15.7], pixels: ["6,000", 4000]}\n' + SUBJECT,
        ["in.yaml:2:44: camera.pixels[1]: found '\"6,000\"'; write a whole number from 16 to 200000"],
    ),
    (
        "word for a number",
        MEASURED + CAMERA + "subject: {depth_mm: deep}\n",
        ["in.yaml:3:21: subject.depth_mm: found 'deep'; write a number above 0 and up to 10000, in mm"],
    ),
    (
        "true for a number",
        MEASURED + CAMERA + "subject: {depth_mm: true}\n",
        ["in.yaml:3:21: subject.depth_mm: found 'true'; write a number above 0 and up to 10000, in mm"],
    ),
    (
        "time of day",
        MEASURED + CAMERA + "subject: {depth_mm: 12:30}\n",
        ["in.yaml:3:21: subject.depth_mm: found '12:30'; write a number above 0 and up to 10000, in mm"],
    ),
    (
        "hexadecimal",
        MEASURED + "camera: {sensor_mm: [23.5, 15.7], pixels: [0x1770, 4000]}\n" + SUBJECT,
        ["in.yaml:2:44: camera.pixels[1]: found '0x1770'; write a whole number from 16 to 200000"],
    ),
    (
        "zero depth",
        MEASURED + CAMERA + "subject: {depth_mm: 0}\n",
        ["in.yaml:3:21: subject.depth_mm: found 0; write a number above 0 and up to 10000, in mm"],
    ),
    (
        "negative depth",
        MEASURED + CAMERA + "subject: {depth_mm: -2}\n",
        ["in.yaml:3:21: subject.depth_mm: found -2; write a number above 0 and up to 10000, in mm"],
    ),
    (
        "list for a number",
        MEASURED + CAMERA + "subject: {depth_mm: [3.4]}\n",
        ["in.yaml:3:21: subject.depth_mm: found a list of 1; write a number above 0 and up to 10000, in mm"],
    ),
    (
        "block for a number",
        MEASURED + CAMERA + "subject: {depth_mm: {mm: 3.4}}\n",
        ["in.yaml:3:21: subject.depth_mm: found a block of keys; write a number above 0 and up to 10000, in mm"],
    ),
    (
        "nothing for a number",
        MEASURED + CAMERA + "subject: \n  depth_mm:\n",
        ["in.yaml:4:12: subject.depth_mm: found nothing; write a number above 0 and up to 10000, in mm"],
    ),
    (
        "fractional pixels",
        MEASURED + "camera: {sensor_mm: [23.5, 15.7], pixels: [6000.5, 4000]}\n" + SUBJECT,
        ["in.yaml:2:44: camera.pixels[1]: found 6000.5; write a whole number from 16 to 200000"],
    ),
    (
        "f-number out of range",
        "rig: {kind: measured, magnification: 0.87, f_number: 0.2}\n" + CAMERA + SUBJECT,
        ["in.yaml:1:54: rig.f_number: found 0.2; write a number above 0.3 and up to 128"],
    ),
    (
        "index below one",
        MEASURED + CAMERA + "subject: {depth_mm: 3, index: 0.9}\n",
        ["in.yaml:3:31: subject.index: found 0.9; write a number from 1 to 2.5"],
    ),
    (
        "index of a focus block",
        MEASURED + CAMERA + SUBJECT + "focus: {index: 1.5}\n",
        [
            "in.yaml:4:9: focus.index: unknown key; write subject.index for a subject in resin, amber or water behind a flat face, and rig.immersion_index for an immersion objective"
        ],
    ),
    (
        "below a face that is not there",
        MEASURED + CAMERA + "subject: {depth_mm: 3, below_face_mm: 2}\n",
        ["in.yaml:3:39: subject.below_face_mm: found 2 without index; write the index of what lies there too"],
    ),
    (
        "immersion and a flat face",
        "rig: {kind: objective, magnification: 10, na: 0.3, reference_mm: 190, tube_lens_mm: 190, immersion_index: 1.33}\n"
        + CAMERA
        + "subject: {depth_mm: 1, index: 1.5}\n",
        [
            "in.yaml:3:31: subject.index: found 1.5 together with rig.immersion_index; it is for a dry lens: leave it out, the liquid of an immersion objective matches what the subject lies in"
        ],
    ),
    (
        "two f-numbers",
        "rig: {kind: measured, magnification: 0.87, f_number: 5.6, effective_f_number: 10}\n" + CAMERA + SUBJECT,
        ["in.yaml:1:54: rig.f_number: found together with effective_f_number; write one of the two"],
    ),
    (
        "an f-number off the ring",
        "rig: {kind: measured, magnification: 0.87, f_number: 2, widest_f_number: 2.8, smallest_f_number: 16}\n"
        + CAMERA
        + SUBJECT,
        ["in.yaml:1:54: rig.f_number: found 2; write one that the ring has, 2.8 to 16"],
    ),
    (
        "a ring the wrong way round",
        "rig: {kind: measured, magnification: 0.87, f_number: 4, widest_f_number: 16, smallest_f_number: 2.8}\n"
        + CAMERA
        + SUBJECT,
        ["in.yaml:1:74: rig.widest_f_number: found 16, past smallest_f_number (2.8); write the smaller one here"],
    ),
    (
        "a flash metered at an f-number",
        MEASURED + CAMERA + SUBJECT + "light: {kind: flash, exposure_s: 0.005, at_f_number: 8}\n",
        [
            "in.yaml:4:54: light.at_f_number: found with a flash, whose power follows the aperture and not its time; leave it out"
        ],
    ),
    (
        "a flash that rests for no time",
        MEASURED + CAMERA + SUBJECT + "light: {kind: flash, exposure_s: 0.005, rest_after: 40}\n",
        [
            "in.yaml:4:53: light.rest_after: found without rest_s; write both: so many flashes, then so many seconds of rest"
        ],
    ),
    (
        "a rest after nothing",
        MEASURED + CAMERA + SUBJECT + "light: {kind: flash, exposure_s: 0.005, rest_s: 40}\n",
        [
            "in.yaml:4:49: light.rest_s: found without rest_after; write both: so many flashes, then so many seconds of rest"
        ],
    ),
    (
        "a lamp with a flash's batteries",
        MEASURED + CAMERA + SUBJECT + "light: {kind: continuous, exposure_s: 0.005, flashes_a_charge: 90}\n",
        ["in.yaml:4:64: light.flashes_a_charge: found with continuous light; it is for a flash: leave it out"],
    ),
    (
        "an f-number where there is no ring",
        "rig: {kind: objective, magnification: 10, na: 0.3, reference_mm: 190, tube_lens_mm: 190}\n"
        + CAMERA
        + SUBJECT
        + "light: {kind: continuous, exposure_s: 0.5, at_f_number: 8}\n",
        [
            "in.yaml:4:57: light.at_f_number: found with a rig of kind objective, which has no f-number to set; leave it out"
        ],
    ),
    (
        "unicode digits",
        MEASURED + CAMERA + "subject: {depth_mm: ٣}\n",
        ["in.yaml:3:21: subject.depth_mm: found '٣'; write a number above 0 and up to 10000, in mm"],
    ),
    (
        "misspelt choice",
        "moves: camara\n" + MEASURED + CAMERA + SUBJECT,
        ["in.yaml:1:8: moves: found 'camara'; write camera"],
    ),
    (
        "yes for a choice",
        "moves: yes\n" + MEASURED + CAMERA + SUBJECT,
        ["in.yaml:1:8: moves: found 'yes'; write camera, subject or rear"],
    ),
    (
        "unknown kind",
        "rig: {kind: mesured, magnification: 0.87, f_number: 5.6}\n" + CAMERA + SUBJECT,
        ["in.yaml:1:13: rig.kind: found 'mesured'; write measured"],
    ),
    (
        "kind without resemblance",
        "rig: {kind: quux, magnification: 0.87, f_number: 5.6}\n" + CAMERA + SUBJECT,
        ["in.yaml:1:13: rig.kind: found 'quux'; write lens, reversed, coupled, objective or measured"],
    ),
    (
        "kind missing",
        "rig: {magnification: 0.87, f_number: 5.6}\n" + CAMERA + SUBJECT,
        ["in.yaml:1:6: rig.kind: missing; write lens, reversed, coupled, objective or measured"],
    ),
    (
        "yes for a flag",
        MEASURED + CAMERA + SUBJECT + "light: {kind: flash, exposure_s: 0.01, moves_with_subject: yes}\n",
        ["in.yaml:4:60: light.moves_with_subject: found 'yes'; write true"],
    ),
    (
        "capital flag",
        MEASURED + CAMERA + SUBJECT + "light: {kind: flash, exposure_s: 0.01, moves_with_subject: True}\n",
        ["in.yaml:4:60: light.moves_with_subject: found 'True'; write true"],
    ),
    (
        "quoted flag",
        MEASURED + CAMERA + SUBJECT + 'light: {kind: flash, exposure_s: 0.01, moves_with_subject: "true"}\n',
        ["in.yaml:4:60: light.moves_with_subject: found '\"true\"'; write true without quotes"],
    ),
    (
        "number for a flag",
        MEASURED + CAMERA + SUBJECT + "light: {kind: flash, exposure_s: 0.01, moves_with_subject: 1}\n",
        ["in.yaml:4:60: light.moves_with_subject: found '1'; write true or false"],
    ),
    (
        "empty name",
        'name: ""\n' + MEASURED + CAMERA + SUBJECT,
        ["in.yaml:1:7: name: found '\"\"'; write one line of text"],
    ),
    (
        "name of two lines",
        'name: "a\\nb"\n' + MEASURED + CAMERA + SUBJECT,
        ["in.yaml:1:7: name: found '\"a?b\"'; write one line of text"],
    ),
    (
        "focus setting misspelt",
        "rig: {kind: lens, focal_length_mm: 40, max_magnification: 0.16, f_number: 4, focused_at: neerest}\n"
        + CAMERA
        + SUBJECT,
        ["in.yaml:1:90: rig.focused_at: found 'neerest'; write nearest"],
    ),
    (
        "misspelt key",
        MEASURED + CAMERA + "subject: {dept_mm: 3.4}\n",
        ["in.yaml:3:11: subject.dept_mm: unknown key; write depth_mm"],
    ),
    (
        "misspelt block",
        MEASURED + CAMERA + "subjekt: {depth_mm: 3.4}\n",
        ["in.yaml:3:1: subjekt: unknown key; write subject"],
    ),
    (
        "key without resemblance",
        MEASURED + CAMERA + SUBJECT + "zzz: 1\n",
        [
            "in.yaml:4:1: zzz: unknown key; known here: name, purpose, moves, order, rig, camera, light, subject, focus, "
            "margins, rail, panels"
        ],
    ),
    (
        "key with the unit left out",
        MEASURED + CAMERA + "subject: {depth: 3.4}\n",
        ["in.yaml:3:11: subject.depth: unknown key; write depth_mm, in mm"],
    ),
    (
        "a key of a block beside the blocks",
        MEASURED + CAMERA + "subject: {depth_mm: 1}\noverlap: 0.4\n",
        ["in.yaml:4:1: overlap: unknown key; it belongs to focus: write focus.overlap"],
    ),
    (
        "a key a second time, misspelt",
        MEASURED + CAMERA + "subject: {depth_mm: 1, depht_mm: 4}\n",
        ["in.yaml:3:24: subject.depht_mm: unknown key; write depth_mm"],
    ),
    (
        "a port for a link, a share for a count",
        "travel_mm: 80\nsoft_limits_mm: [2, 78]\nfull_steps_per_turn: 200\nmicrosteps_per_full_step: 1/16\n"
        "lead_mm: 8\nspeed_mm_s: 3\nacceleration_mm_s2: 15\nbacklash_mm: 0.04\nlink: /dev/ttyX0\n",
        [
            "in.yaml:4:27: microsteps_per_full_step: found '1/16'; write 16",
            "in.yaml:8:1: backlash_mm: unknown key; write backlash_um: 40",
            "in.yaml:9:7: link: found '/dev/ttyX0'; write a port as {url: /dev/ttyX0}",
        ],
    ),
    (
        "key with another unit, a thousand times too large",
        MEASURED + CAMERA + "subject: {depth_um: 3400}\n",
        ["in.yaml:3:11: subject.depth_um: unknown key; write depth_mm: 3.4"],
    ),
    (
        "control character",
        MEASURED + CAMERA + "subject: {depth_mm: 3.4\x07}\n",
        ["in.yaml:3:24: found a character that no text has (U+0007); delete it"],
    ),
    (
        "control character written as an escape",
        'name: "a\\e[31m"\n' + MEASURED + CAMERA + SUBJECT,
        ["in.yaml:1:7: name: found '\"a?[31m\"'; write one line of text"],
    ),
    (
        "duplicate key",
        MEASURED + CAMERA + SUBJECT + "subject: {depth_mm: 2}\n",
        ["in.yaml:4:1: subject: a second time (first in line 3); keep one of the two"],
    ),
    (
        "duplicate inner key",
        MEASURED + CAMERA + "subject: {depth_mm: 3.4, depth_mm: 3.5}\n",
        ["in.yaml:3:26: depth_mm: a second time (first in line 3); keep one of the two"],
    ),
    (
        "key of another kind",
        "rig: {kind: measured, magnification: 0.87, f_number: 5.6, tubes_mm: [12]}\n" + CAMERA + SUBJECT,
        [
            "in.yaml:1:59: rig.tubes_mm: unknown key; known here: kind, magnification, field_width_mm, f_number, effective_f_number, widest_f_number, smallest_f_number, pupil_magnification, entrance_pupil_mm, working_distance_mm"
        ],
    ),
    (
        "missing block",
        MEASURED + CAMERA,
        ["in.yaml:1:1: subject: missing; write a block of keys, or the path of a file that holds one (the subject)"],
    ),
    (
        "missing key",
        "rig: {kind: measured, magnification: 0.87}\n" + CAMERA + SUBJECT,
        ["in.yaml:1:6: rig.f_number: missing; write it, or effective_f_number instead"],
    ),
    ("a list as a key", MEASURED + CAMERA + SUBJECT + "? [a]\n: 1\n", ["in.yaml:4:3: a key must be one word"]),
    (
        "three faults at once",
        "rig: {kind: measured, magnification: 0.87, f_number: f/8}\ncamera: {sensor_mm: [23.5, 15.7], pixel: [6000, 4000]}\nsubject: {depth_mm: 3,4}\n",
        [
            "in.yaml:1:54: rig.f_number: found 'f/8'; write 8",
            "in.yaml:2:35: camera.pixel: unknown key; write pixels",
            "in.yaml:3:21: subject.depth_mm: found '3,4'; write 3.4",
        ],
    ),
    (
        "list of one",
        MEASURED + "camera: {sensor_mm: [23.5], pixels: [6000, 4000]}\n" + SUBJECT,
        [
            "in.yaml:2:21: camera.sensor_mm: found a list of 1; write a list of 2 in brackets, each a number above 0 and up to 300, in mm"
        ],
    ),
    (
        "list of three",
        MEASURED + "camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000, 3]}\n" + SUBJECT,
        [
            "in.yaml:2:43: camera.pixels: found a list of 3; write a list of 2 in brackets, each a whole number from 16 to 200000"
        ],
    ),
    (
        "number for a list",
        MEASURED + "camera: {sensor_mm: 23.5, pixels: [6000, 4000]}\n" + SUBJECT,
        [
            "in.yaml:2:21: camera.sensor_mm: found '23.5'; write a list of 2 in brackets, each a number above 0 and up to 300, in mm"
        ],
    ),
    (
        "fault inside a list",
        MEASURED + 'camera: {sensor_mm: [23.5, "15,7"], pixels: [6000, 4000]}\n' + SUBJECT,
        ["in.yaml:2:28: camera.sensor_mm[2]: found '\"15,7\"'; write 15.7"],
    ),
    (
        "tube of zero",
        "rig: {kind: lens, focal_length_mm: 40, max_magnification: 0.16, f_number: 4, tubes_mm: [12, 0]}\n"
        + CAMERA
        + SUBJECT,
        ["in.yaml:1:93: rig.tubes_mm[2]: found 0; write a number above 0 and up to 1000, in mm"],
    ),
    (
        "list for a block",
        MEASURED + CAMERA + "subject: [1, 2]\n",
        ["in.yaml:3:10: subject: found a list of 2; write a block of keys, or the path of a file that holds one"],
    ),
    (
        "no such block file",
        MEASURED + CAMERA + SUBJECT + "rail: rails/none.yaml\n",
        [
            "in.yaml:4:7: rail: found 'rails/none.yaml', but there is no file rails/none.yaml; write a block of keys or the path of a file with one"
        ],
    ),
    (
        "zones not a list",
        MEASURED + CAMERA + "subject: {depth_mm: 3.4, zones: {from_mm: 1}}\n",
        [
            "in.yaml:3:33: subject.zones: found a block of keys; write a list in brackets, each a block of keys, or the path of a file that holds one"
        ],
    ),
    (
        "zone backwards",
        MEASURED + CAMERA + "subject: {depth_mm: 3.4, zones: [{from_mm: 2, to_mm: 1, overlap: 0.5}]}\n",
        ["in.yaml:3:54: subject.zones[1].to_mm: found 1; write a depth beyond from_mm (2)"],
    ),
    (
        "zone without effect",
        MEASURED + CAMERA + "subject: {depth_mm: 3.4, zones: [{from_mm: 1, to_mm: 2}]}\n",
        [
            "in.yaml:3:34: subject.zones[1].overlap: missing; write overlap or kept_contrast, else the zone changes nothing"
        ],
    ),
    (
        "zone behind the subject",
        MEASURED + CAMERA + "subject: {depth_mm: 3.4, zones: [{from_mm: 5, to_mm: 6, overlap: 0.5}]}\n",
        ["in.yaml:3:44: subject.zones[1].from_mm: found 5; the subject ends at 3.4 mm"],
    ),
    (
        "overlap and seam contrast",
        MEASURED + CAMERA + SUBJECT + "focus: {overlap: 0.3, seam_contrast: 0.9}\n",
        ["in.yaml:4:38: focus.seam_contrast: found together with overlap; write one of the two, both fix the step"],
    ),
    (
        "seam contrast with another model",
        MEASURED + CAMERA + SUBJECT + "focus: {seam_contrast: 0.9, model: sum}\n",
        ["in.yaml:4:24: focus.seam_contrast: found with model sum; it goes with model contrast alone"],
    ),
    (
        "kept contrast above the seam",
        MEASURED + CAMERA + SUBJECT + "focus: {seam_contrast: 0.7}\n",
        ["in.yaml:4:8: focus.kept_contrast: found 0.8; write less than seam_contrast (0.7)"],
    ),
    (
        "two magnifications",
        "rig: {kind: measured, magnification: 0.87, field_width_mm: 20, f_number: 5.6}\n" + CAMERA + SUBJECT,
        ["in.yaml:1:60: rig.field_width_mm: found together with magnification; write one of the two"],
    ),
    (
        "no magnification",
        "rig: {kind: measured, f_number: 5.6}\n" + CAMERA + SUBJECT,
        ["in.yaml:1:6: rig.field_width_mm: missing; write it, or magnification instead"],
    ),
    (
        "portrait pixels on a landscape sensor",
        MEASURED + "camera: {sensor_mm: [23.5, 15.7], pixels: [4000, 6000]}\n" + SUBJECT,
        ["in.yaml:2:43: camera.pixels: found pixels of 5.88 by 2.62 um; write width before height in both keys"],
    ),
    (
        "reversed without a magnification",
        "rig: {kind: reversed, focal_length_mm: 35, f_number: 5.6}\n" + CAMERA + SUBJECT,
        ["in.yaml:1:6: rig.field_width_mm: missing; write it, or image_distance_mm instead"],
    ),
    (
        "reversed with two magnifications",
        "rig: {kind: reversed, focal_length_mm: 35, f_number: 5.6, image_distance_mm: 80, field_width_mm: 9}\n"
        + CAMERA
        + SUBJECT,
        ["in.yaml:1:98: rig.field_width_mm: found together with image_distance_mm; write one of the two"],
    ),
    (
        "objective of both kinds",
        "rig: {kind: objective, magnification: 4, na: 0.1, reference_mm: 190, tube_lens_mm: 190, tube_length_mm: 160}\n"
        + CAMERA
        + SUBJECT,
        [
            "in.yaml:1:13: rig.kind: write reference_mm and tube_lens_mm (infinity), or reference_tube_length_mm and tube_length_mm"
        ],
    ),
    (
        "objective of neither kind",
        "rig: {kind: objective, magnification: 4, na: 0.1}\n" + CAMERA + SUBJECT,
        [
            "in.yaml:1:13: rig.kind: write reference_mm and tube_lens_mm (infinity), or reference_tube_length_mm and tube_length_mm"
        ],
    ),
    ("empty file", "", ["in.yaml: the file is empty; 'stacker new lens' prints one to start from"]),
    ("only a comment", "# nothing yet\n", ["in.yaml: the file is empty; 'stacker new lens' prints one to start from"]),
    ("a single word", "hello\n", ["in.yaml:1:1: found 'hello'; write 'key: value' lines"]),
    ("a list at the top", "- 1\n- 2\n", ["in.yaml:1:1: found a list of 2; write 'key: value' lines"]),
    (
        "tab for indent",
        "subject:\n\tdepth_mm: 3\n",
        ["in.yaml:2:1: not YAML: found character that cannot start any token; indent with spaces, not tabs"],
    ),
    (
        "unclosed bracket",
        MEASURED + "camera: {sensor_mm: [23.5, 15.7, pixels: [6000, 4000]}\n" + SUBJECT,
        ["in.yaml:2:54: not YAML: did not find expected ',' or ']'; look at this line and the one above it"],
    ),
    (
        "two documents",
        MEASURED + CAMERA + SUBJECT + "---\n" + MEASURED + CAMERA + SUBJECT,
        ["in.yaml:4:1: not YAML: but found another document; one document a file: take out '---'"],
    ),
    (
        "alias",
        MEASURED + CAMERA + "subject: &s {depth_mm: 3.4}\nlight: *s\n",
        ["in.yaml:3:10: an alias ('*name') points here; write the value out each time"],
    ),
    (
        "tag",
        MEASURED + CAMERA + "subject: {depth_mm: !!python/object:os.system 3.4}\n",
        ["in.yaml:3:21: found the tag 'tag:yaml.org,2002:python/object:os.system'; leave it out"],
    ),
    (
        "own tag",
        MEASURED + CAMERA + "subject: {depth_mm: !mm 3.4}\n",
        ["in.yaml:3:21: found the tag '!mm'; leave it out"],
    ),
    (
        "colon in a text",
        "name: beetle: left\n" + MEASURED + CAMERA + SUBJECT,
        [
            "in.yaml:1:13: not YAML: mapping values are not allowed in this context; one key a line, and quotes around a text with ': ' in it"
        ],
    ),
    (
        "nested deeply",
        "name: [[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]\n"
        + MEASURED
        + CAMERA
        + SUBJECT,
        ["in.yaml:1:7: name: found a list of 1; write one line of text", "in.yaml:1:31: nested too deeply"],
    ),
    (
        "rail: travel missing",
        "soft_limits_mm: [2, 78]\nfull_steps_per_turn: 200\nmicrosteps_per_full_step: 16\nlead_mm: 2\nspeed_mm_s: 3\nacceleration_mm_s2: 15\nbacklash_um: 15\n",
        [
            "in.yaml:1:1: travel_mm: missing; write a number above 0 and up to 2000, in mm (from one hard stop to the other)"
        ],
    ),
    (
        "rail: nothing of the motor",
        "travel_mm: 80\nsoft_limits_mm: [2, 78]\n",
        [
            "in.yaml:1:1: acceleration_mm_s2: missing; write a number above 0 and up to 50000, in mm/s2 (of starts and stops)",
            "in.yaml:1:1: backlash_um: missing; write a number from 0 to 5000, in um (lost motion when the direction changes)",
            "in.yaml:1:1: full_steps_per_turn: missing; write a whole number from 4 to 10000 (of the motor (1.8 degrees: 200))",
            "in.yaml:1:1: lead_mm: missing; write a number above 0 and up to 200, in mm (travel per turn of the screw)",
            "in.yaml:1:1: microsteps_per_full_step: missing; write a whole number from 1 to 1024 (as the driver is set)",
            "in.yaml:1:1: speed_mm_s: missing; write a number above 0 and up to 500, in mm/s (highest speed)",
        ],
    ),
    (
        "rail: limits outside of the travel",
        "travel_mm: 80\nsoft_limits_mm: [2, 88]\nfull_steps_per_turn: 200\nmicrosteps_per_full_step: 16\nlead_mm: 2\nspeed_mm_s: 3\nacceleration_mm_s2: 15\nbacklash_um: 15\n",
        ["in.yaml:2:17: soft_limits_mm: found 2 and 88; write two rising positions within the travel, 0 to 80 mm"],
    ),
    (
        "rail: limits backwards",
        "travel_mm: 80\nsoft_limits_mm: [78, 2]\nfull_steps_per_turn: 200\nmicrosteps_per_full_step: 16\nlead_mm: 2\nspeed_mm_s: 3\nacceleration_mm_s2: 15\nbacklash_um: 15\n",
        ["in.yaml:2:17: soft_limits_mm: found 78 and 2; write two rising positions within the travel, 0 to 80 mm"],
    ),
    (
        "rail: half a microstep",
        "travel_mm: 80\nsoft_limits_mm: [2, 78]\nfull_steps_per_turn: 200\nmicrosteps_per_full_step: 16.5\nlead_mm: 2\nspeed_mm_s: 3\nacceleration_mm_s2: 15\nbacklash_um: 15\n",
        ["in.yaml:4:27: microsteps_per_full_step: found 16.5; write a whole number from 1 to 1024"],
    ),
    (
        "rail: speed of zero",
        "travel_mm: 80\nsoft_limits_mm: [2, 78]\nfull_steps_per_turn: 200\nmicrosteps_per_full_step: 16\nlead_mm: 2\nspeed_mm_s: 0\nacceleration_mm_s2: 15\nbacklash_um: 15\n",
        ["in.yaml:6:13: speed_mm_s: found 0; write a number above 0 and up to 500, in mm/s"],
    ),
    (
        "rail: dial with motor keys",
        "dial: {mm_per_turn: 1, divisions: 100}\ntravel_mm: 25\nsoft_limits_mm: [1, 24]\nlead_mm: 2\n",
        [
            "in.yaml:4:1: lead_mm: unknown key; known here: name, travel_mm, soft_limits_mm, dial, backlash_um, repeatability_um, periodic_error_um, lead_error, frame_s"
        ],
    ),
    (
        "rail: dial of one division",
        "dial: {mm_per_turn: 1, divisions: 1}\ntravel_mm: 25\nsoft_limits_mm: [1, 24]\n",
        ["in.yaml:1:35: dial.divisions: found 1; write a whole number from 2 to 10000"],
    ),
    (
        "rail: unknown dialect",
        RAIL + 'link: {url: "sim://bench", dialect: lines}\n',
        ["in.yaml:9:37: link.dialect: found 'lines'; write line"],
    ),
    (
        "rail: link without an address",
        RAIL + "link: {dialect: line}\n",
        [
            "in.yaml:9:7: link.url: missing; write one line of text (serial port, or an address such as socket://127.0.0.1:7000 or sim://bench)"
        ],
    ),
    (
        "rail: check of steps without a switch",
        RAIL + "check_steps_after: true\n",
        ["in.yaml:9:20: check_steps_after: found true without low_switch_at_mm; write where the low switch clears"],
    ),
    (
        "rail: unit left out",
        "travel_mm: 80\nsoft_limits_mm: [2, 78]\nfull_steps_per_turn: 200\nmicrosteps_per_full_step: 16\nlead: 2\nspeed_mm_s: 3\nacceleration_mm_s2: 15\nbacklash_um: 15\n",
        ["in.yaml:5:1: lead: unknown key; write lead_mm, in mm"],
    ),
    (
        "rail: shutter by magic",
        RAIL + "shutter: {via: magic}\n",
        ["in.yaml:9:16: shutter.via: found 'magic'; write rail, rts, dtr, command or manual"],
    ),
]


@pytest.mark.parametrize(("text", "messages"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
def test_a_malformed_file_is_told_exactly_and_leaves_nothing_behind(text, messages, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    Path("in.yaml").write_text(text, encoding="utf-8")
    for command in ("check", "plan"):
        if command == "plan" and text.startswith(("travel_mm", "soft_limits_mm", "dial")):
            continue
        with pytest.raises(SystemExit) as stopped:
            main([command, "in.yaml"])
        seen = capsys.readouterr()
        assert (stopped.value.code, seen.out, seen.err.splitlines()) == (2, "", messages)
    assert [path.name for path in tmp_path.iterdir()] == ["in.yaml"]


def test_there_are_many_cases_and_no_two_alike():
    assert len(CASES) >= 80
    assert len({text for _, text, _ in CASES}) == len(CASES)
