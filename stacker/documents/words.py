"""The program's own words, for ``stacker explain``: one word for one thing, in messages, files and notes alike."""

from __future__ import annotations

WORDS: dict[str, str] = {
    "slice": "the range of depth, near to far, that one frame shows sharp by the criterion in use",
    "seam": "the depth where two neighbouring slices meet: the softest place of the finished picture",
    "step": "how far the plane of focus goes from one frame to the next",
    "overlap": "the share of a slice that its neighbour shows sharp once more; it forgives an error of the rail",
    "detail": "the finest detail on the subject that lens and sensor resolve together",
    "diffraction": "it shows past the f-number given: from there on a smaller aperture loses detail to depth",
    "gap risk": "the chance that the rail's scatter leaves some seam softer than was asked for",
    "edge loss": "the share of the picture's width that not every frame covers, since their scales differ",
    "position 0": "where the rail stands with the front of the subject in focus; positive goes deeper",
    "take-up": "the way beyond a stop and back by which every stop is reached from the same side, so that the play of "
    "the screw (backlash) does not show",
    "clearance": "what is left between the foremost rim and the front of the subject",
    "evidence": "what proves an exposure: 'sync', the camera's flash contact closed; 'pulse', the release contact was "
    "closed for its time; 'command', a program ended without an error; 'person', somebody said so",
    "journal": "the file beside the plan that knows each frame taken, from which an interrupted run goes on",
    "bench card": "the short summary that 'stacker plan' prints",
}
