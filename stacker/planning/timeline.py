"""When each shutter opens and when the last file is written: the time a stack takes on a motor rail.

Time 0 is the rail at rest at position 0. What is not known (recycling, writing, buffer) is not waited for.
"""

from __future__ import annotations

import math

import numpy as np

from stacker.motion.move_time import move_time_s
from stacker.motion.take_up import Direction
from stacker.planning.focus_grid import FloatArray, IntArray
from stacker.records import record


@record
class Timeline:
    """The times of a stack in shooting order.

    Attributes
    ----------
    start_s : ndarray, shape (n,)
        When the shutter of each frame opens, from the rail at rest at position 0 [s].
    duration_s : float
        When the last file is written, or the last exposure ends where writing is not known [s].
    frame_s : float
        Duration over frames [s].
    """

    start_s: FloatArray
    duration_s: float
    frame_s: float


def rail_times_s(
    position_microsteps: IntArray,
    *,
    direction: Direction,
    microstep_um: float,
    take_up_microsteps: int,
    speed_mm_s: float,
    acceleration_mm_s2: float,
    piece_s: float = math.inf,
    pause_s: float = 0.0,
) -> FloatArray:
    """How long the rail moves before each frame, take-up included [s].

    Parameters
    ----------
    position_microsteps : ndarray of int, shape (n,)
        Stops in shooting order, from position 0 [microsteps].
    direction : 1 or -1
        In which every stop is reached: 1 into the subject (front to back), -1 out of it.
    microstep_um : float
        Travel for one microstep [um].
    take_up_microsteps : int
        How far a move goes beyond a stop and back [microsteps]: the first move, since nobody knows which way the
        screw was pushed before, and every move against `direction`.
    speed_mm_s, acceleration_mm_s2 : float
        Of the rail [mm/s, mm/s^2].
    piece_s, pause_s : float
        As for `stacker.motion.move_time.move_time_s` [s].

    Returns
    -------
    ndarray, shape (n,)
    """
    moves = np.diff(position_microsteps, prepend=0)
    takes_up = (moves * direction < 0).astype(np.int64)
    takes_up[:1] = 1
    back = takes_up * take_up_microsteps * direction
    legs = np.stack((moves - back, back))
    lengths, which = np.unique(np.abs(legs), return_inverse=True)  # most stacks have very few
    lengths_s = [
        move_time_s(
            length * microstep_um / 1000,
            speed_mm_s=speed_mm_s,
            acceleration_mm_s2=acceleration_mm_s2,
            piece_s=piece_s,
            pause_s=pause_s,
        )
        for length in lengths.tolist()
    ]
    total_s: FloatArray = np.array(lengths_s)[which].reshape(legs.shape).sum(axis=0)
    return total_s


def timeline(
    move_s: FloatArray,
    *,
    exposure_s: FloatArray | float,
    settle_s: float,
    recycle_s: float | None = None,
    mirror_s: float = 0.0,
    lag_s: float = 0.0,
    held_s: float = 0.0,
    buffer_frames: int | None = None,
    raw_mb: float | None = None,
    write_mb_s: float | None = None,
) -> Timeline:
    """Follow rail, flash and camera from frame to frame.

    Parameters
    ----------
    move_s : ndarray, shape (n,)
        How long the rail moves before each frame [s], as `rail_times_s` gives it; n is 1 at least.
    exposure_s : float or ndarray of shape (n,)
        How long each shutter is open [s].
    settle_s : float
        From arrival until nothing swings any more [s].
    recycle_s : float or None
        From one flash until it can fire again [s].
    mirror_s, lag_s : float
        From the moment the frame is due until its shutter opens: mirror raised, shutter lag [s].
    held_s : float
        How long after that moment the rail stands still at least [s], whatever the exposure.
    buffer_frames : int or None
        Frames that the camera holds unwritten [-]. Frame i waits until frame i - `buffer_frames` is written.
    raw_mb, write_mb_s : float or None
        Size of a file [10^6 bytes] and how fast it is written [10^6 bytes/s].

    Returns
    -------
    Timeline

    Notes
    -----
    The shutter opens at max(arrive_i + settle, fired_(i-1) + recycle, written_(i-buffer)) + mirror + lag and the
    rail leaves when the exposure ends, or later when a contact that the host holds is let go. A file is written at
    max(written before, exposure end) + size / speed.
    """
    count = len(move_s)
    delay_s = mirror_s + lag_s
    write_s = None if raw_mb is None or write_mb_s is None else raw_mb / write_mb_s
    full_buffer = count if buffer_frames is None or write_s is None else buffer_frames
    starts_s: list[float] = []
    written_s: list[float] = []
    leaves_s = stored_s = 0.0
    exposures_s = np.broadcast_to(exposure_s, (count,)).tolist()
    # Each frame waits for what the last one did, so this is a loop; plain floats are the fastest way through it.
    for frame, (moves_s, exposed_s) in enumerate(zip(move_s.tolist(), exposures_s, strict=True)):
        due_s = leaves_s + moves_s + settle_s
        if recycle_s is not None and frame:
            due_s = max(due_s, starts_s[-1] + recycle_s)
        if frame >= full_buffer:
            due_s = max(due_s, written_s[frame - full_buffer])
        starts_s.append(due_s + delay_s)
        closes_s = starts_s[-1] + exposed_s
        leaves_s = max(closes_s, due_s + held_s)
        stored_s = closes_s if write_s is None else max(stored_s, closes_s) + write_s
        written_s.append(stored_s)
    duration_s = max(stored_s, leaves_s)
    return Timeline(start_s=np.array(starts_s), duration_s=duration_s, frame_s=duration_s / count)
