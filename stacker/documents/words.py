"""The program's own words, for ``stacker explain``: one word for one thing, in messages, files and notes alike."""

from __future__ import annotations

# One sentence for every place where somebody is about to let a rail move.
HANDS = "Hands, hair and cables clear of the rail, the emergency stop within reach: Ctrl-C is not one."

WORDS: dict[str, str] = {
    "slice": "the range of depth, near to far, that one frame shows sharp by the criterion in use",
    "seam": "the depth where two neighbouring slices meet: the softest place of the finished picture",
    "step": "how far the plane of focus goes from one frame to the next",
    "overlap": "the share of a slice that its neighbour shows sharp once more; it forgives an error of the rail",
    "detail": "the finest line pair on the subject that lens and sensor resolve together: it keeps "
    "focus.resolved_contrast in focus, and is never finer than two pixels of the picture to be delivered",
    "diffraction": "it shows past the f-number given: from there on a smaller aperture loses detail to depth",
    "gap risk": "the chance that the rail's scatter leaves some seam softer than was asked for",
    "tilt": "what it costs in depth, slices and frames when the subject does not stand square to the lens; a slanting "
    "subject is best tilted until its depth is least",
    "edge loss": "the share of the picture's width that not every frame covers, since their scales differ",
    "position 0": "where the rail stands with the front of the subject in focus; positive goes deeper",
    "take-up": "the way beyond a stop and back by which every stop is reached from the same side, so that the play of "
    "the screw (backlash) does not show",
    "evidence": "what proves an exposure: 'sync', the camera's flash contact closed; 'pulse', the release contact was "
    "closed for its time; 'command', a program ended without an error; 'person', somebody said so",
    "measuring run": "'stacker drive PROFILE --measure': the rail goes to and fro while a camera that looks across it "
    "photographs something finely grained on its carriage; 'stacker calibrate rail --across' reads what the rail does",
    "watch": "'stacker drive PLAN --go --watch FOLDER': a process beside the run looks into each picture as it comes; "
    "a dark, half-lit, smeared or soft frame is taken again at once, and the journal says so in a line 'watched'; a "
    "flash that no longer fires or a rail that does not move on stops the run",
    "tick": "on a hand rail, your word that a frame is taken; 'u' takes it back. Nothing sees the dial or the camera",
    "panel": "one of several stacks side by side: the plan's stack, or those frames of it that its own depths need, "
    "taken at another place across and down; a run with a journal of its own",
    "set": "the runs of all panels of a plan, one after the other; 'stacker drive PLAN --go --resume' goes on with it",
    "settling time": "from the end of a move until the carriage swings by less than is allowed (rail.settle_s)",
    "journal": "the file beside the plan that records each frame taken, and from which an interrupted run is resumed",
    "survey": "a coarse run through a subject whose depth nobody knows ('stacker plan REQUEST --survey'); from its "
    "pictures 'stacker survey' tells front, back and the depths that hold no detail",
    "bench card": "the short summary that 'stacker plan' prints",
    "capture order": "the order in which the frames were taken. It is depth order until a frame is taken again: that "
    "one comes last, and neither its time nor its number puts it at its place in the stack",
    "depth order": "the order of the frames in the plan, in which a stacking program wants them; 'sort' "
    "hands the pictures over in it",
    "left out": "pictures that 'sort' does not hand over: test shots, copies, other exposures of a frame, and whatever "
    "is damaged or may be of another frame",
    "perhaps missing": "by some near reading of times and numbers no whole picture handed over is that of this frame",
    "hard link": "a second name for one file on one disk: it takes no room, and what is changed in one is changed in "
    "both",
    "capture times": "when the camera took each picture, as it wrote into the file (EXIF); a copy keeps them",
    "file times": "when each file was written; many copies change them, and memory cards keep even seconds alone",
    "rhythm": "the pattern of times at which the frames were taken; by it 'verify' finds how far the camera's clock is "
    "off",
    "complete": "every frame has its picture by every near reading of times and numbers, and no file of it is empty, "
    "cut short, all zeros, far smaller than the others or the same twice; nobody has looked at what the pictures show",
    "missing": "no picture can be that of this frame",
    "may be missing": "times and numbers can be read in two ways, and by one of them the frame has no picture",
    "not confirmed": "the journal has no proof that the frame was taken",
    "damaged or in doubt": "the file is there, but empty, unreadable, cut short, all zeros, far smaller than the "
    "others, or holds the same bytes as that of another frame",
    "taken more than once": "there are pictures of several exposures of the frame, as after a resume; any one will do",
    "out of turn": "files whose name or capture time would put the frame at a wrong depth",
    "no frame of this run": "a picture at no moment at which the journal fired the shutter: a test shot",
    "bracket": "several pictures of each frame, exposed differently: by the camera at one release (light.bracket_s) or "
    "fired one by one by the rail (light.bracket_gap_s)",
    "copies": "files with the bytes, or the name, of another that is there as well; they count once",
    "stops": "doublings of light, reckoned from finished pictures as if their tone curve were that of sRGB; a camera's "
    "own is steeper, so a third of a stop may be told as a half, and in the shadows as less",
    "dark": "a frame that got more than three stops less light than its neighbours: the flash did not fire, or fired "
    "outside the exposure",
    "dimmer by": "a frame that got less light than the frames on both sides of it, by so many stops; one part of the "
    "stack after another is told as frames that differ from the others",
    "brighter by": "as 'dimmer by', with more light",
    "cannot tell": "the pictures do not hold what would answer the question, and the reason is named; it is no "
    "finding, and no reassurance either",
    "settings": "exposure time, f-number, ISO, focal length and white balance as the camera wrote them into its files "
    "(EXIF); of a lens without contacts it writes no f-number",
    "planes": "how far the plane of focus really went from each frame to the next, by how fine contrast rises and "
    "falls over the frames, as a share of the planned step beside the steps around it, with its standard error; that "
    "all steps are wrong alike, or drift slowly, no picture shows",
    "as frame": "the plane of focus did not move from one frame to the next: the rail stalled, or the carriage stuck",
    "reach": "fields of the picture whose detail peaks between the first and the last frame, and those still getting "
    "sharper at either: there frames are missing, or what lies before or behind the subject has detail too",
    "blur": "whether something moved while the shutter was open: detail lost along one way beside the frames before "
    "and behind, the way counter-clockwise from the picture's rows as the sensor lay; a frame soft "
    "all round is found where the planes can be told",
    "moved": "what lies elsewhere in the next frame though the rest of the picture does not, and pictures that jump as "
    "a whole; what a rail's step does to the scale, and a slanted surface to what is in focus, is taken off. Where "
    "nothing has detail nothing is told, nor what moves by less than some pixels of a large picture",
}
