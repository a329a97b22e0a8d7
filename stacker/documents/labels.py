"""The labels of the bench card, the tables and the page, for ``stacker explain``; without their units."""

from __future__ import annotations

CARD: dict[str, str] = {
    "picture": "the magnification (size on the sensor over size of the subject), measured or estimated, and the "
    "part of the subject that fills the frame",
    "aperture": "the f-number as marked and the effective one, the light lost by it, and the numerical aperture "
    "(NA) on the subject's side",
    "marked": "the f-number on the aperture ring: it holds with the lens focused at infinity",
    "effective": "the f-number that light and diffraction see: distance from exit pupil to sensor over the diameter "
    "of the exit pupil. It grows with magnification; some cameras show this one instead of the marked one",
    "stops lost": "how much less light reaches the sensor than with the lens at infinity, in stops; an exposure "
    "that was metered through this rig has it in already",
    "NA": "numerical aperture on the subject's side: magnification over twice the effective f-number. It sets how "
    "thick a slice is and how fine a detail is resolved",
    "steps": "the largest step of the plane of focus, the least overlap of neighbouring slices, and the depths of "
    "the first and the last frame; 0 is the front of the subject",
    "gaps": "depths in which nothing need be sharp (subject.gaps): no frame lies there, each depth beside them has its "
    "slice, and crossing one is no seam",
    "panels": "stacks side by side, for a subject larger than the field: how many across and down, the smallest field "
    "that a finished one shows, what neighbours share of it, and who moves from one to the next",
    "microsteps": "what the rail counts in: the motor driver divides each full step of the motor into so many, and "
    "every position of a plan is a whole number of them",
    "divisions": "what a hand rail counts in: the marks around its dial",
    "rail": "which rail moves what, how far from the first frame to the last, its take-up, and where on it the "
    "front of the subject lies",
    "working distance": "from the lens rim to the front of the subject in focus (or to the flat face before it); "
    "what is left of it at the deepest frame must stay above subject.keep_clear_mm",
    "light": "the kind of light, its shutter time, and the recycling time of a flash; with 'verify --look', how much "
    "light each picture got beside its neighbours: the median, over fields that are neither black nor clipped, of the "
    "ratio of the two",
    "time": "from rest with the front in focus until the last file is written, and what one frame takes of it",
    "batteries": "full ones to bring, by the frames that one lasts (camera.battery_frames) and the hours that it is on",
    "storage": "the raw files in 10^9 bytes, the cards they fill, and the space that 16-bit frames and the result "
    "take while they are blended",
    "warnings": "what is wrong with the plan or its run and what helps; 'stacker explain CODE' says more",
    "suggestions": "changes to the request that would save most frames or most risk, each with what it costs",
    "before the first frame": "what no program can check for you; tick it off at the bench",
    "measured": "values that a calibration wrote, and the ends of the interval that holds the truth in 95 of 100 "
    "calibrations: what a plan made for them needs, and what the seams of this one keep",
    "assumed": "values taken because the request does not give them; the table below the card shows what other "
    "values would change, the weightiest first",
}

TABLES: dict[str, str] = {
    "value": "the assumed or measured value that the plan was made with",
    "if": "another value that the assumed one may well have on the bench, or an end of the interval of a measured one",
    "seam, if": "the contrast that the softest seam of this plan would keep if that other value is the true one",
    "frames": "how many pictures the stack takes",
    "frame": "number of a frame, from 1, in shooting order",
    "raw": "the raw files, in 10^9 bytes",
    "tubes": "a set of extension tubes between lens and camera, lengths added; none: the bare lens",
    "from x": "magnification with the lens focused at infinity",
    "to x": "magnification with the lens focused at its nearest",
    "width": "how wide the field is on the subject with the lens at its nearest focus",
    "w.d.": "working distance, from the lens rim to the subject in focus; ?: not known",
    "stack": "one plan of the evening",
    "begins": "when the stack begins, by the clock on the wall",
    "ends": "when its last file is written",
    "on card": "which of the memory cards, numbered from 1, its files lie on",
    "hours": "how long the evening takes, with the set-up between two stacks",
    "finish": "when the last stack ends, by the clock on the wall",
    "files": "all raw files, and how full each card gets",
    "card": "a stack that does not fit on one card",
    "space": "what the frames take while they are blended: all stacks side by side, and the largest by itself",
    "not known": "what the plans do not say, and the sums therefore lack",
    "sub-stack": "a part of a deep stack that is blended first; then the results are blended from front to back",
    "frame numbers": "which frames of the plan a sub-stack holds",
    "count": "how many frames of the plan a sub-stack holds",
    "nearest": "depth of its first frame from the front",
    "deepest": "depth of its last frame from the front",
    "shared": "how many of its frames the next sub-stack has as well, so that their results overlap in depth",
    "turn": "whole turns of the dial from turn 0, where the front is in focus",
    "division": "where the dial stands within that turn",
    "by": "divisions from the frame before; for frame 1 from turn 0, division 0",
    "by in all": "divisions from frame 1",
    "mm from front": "depth of the plane of focus; 0 is the front of the subject, positive goes deeper",
}

PAGE: dict[str, str] = {
    "the subject from the side": "every slice as a bar at its depth, lens on the left",
    "contrast through depth": "the share of its in-focus contrast that the finest detail keeps at every seam, and "
    "between the frames about the softest one",
    "slice and frames by f-number": "how thick a slice would be and how many frames the stack would take at each "
    "marked f-number, all else as planned",
    "the clock": "what the rail, the light and the camera do when: a few frames enlarged, and the whole run",
    "blend first": "the sub-stacks of a deep stack: each is blended by itself, then the results; neighbours share "
    "frames, so that no result ends where the next one begins",
    "focus": "depth of the plane of focus; 0 is the front of the subject, positive goes deeper",
    "near": "near end of a slice",
    "far": "far end of a slice",
    "share kept": "contrast of the finest detail at that depth over its contrast in focus",
    "moves": "how long the rail moves before the frame, take-up included",
    "settles": "the pause until nothing shakes any more (rail.settle_s)",
    "waits": "until flash and camera are ready, after the rail has settled",
    "opens at": "when the shutter opens; 0 is the rail at rest with the front in focus",
    "open": "how long the shutter is open",
}

LABELS: dict[str, str] = {**CARD, **TABLES, **PAGE}
