"""What the optics are at each depth: the same everywhere, unless the rear standard moves."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from stacker.documents.request import Request
from stacker.optics.imaging import Imaging
from stacker.optics.rear import rear_depth_mm, rear_focus
from stacker.planning import zones as binding
from stacker.planning.coverage import Extent, Planes, lay_planes
from stacker.planning.criterion import Aperture, Criterion
from stacker.planning.focus_grid import FloatArray, FocusRailMap, PerDepth
from stacker.records import record


@record
class Focusing:
    """A rig and a criterion along the depth of the subject."""

    request: Request
    imaging: Imaging
    criterion: Criterion

    @property
    def rear(self) -> bool:
        """Whether the sensor moves, so that every depth has its own magnification."""
        return self.request.moves == "rear"

    @property
    def embedding(self) -> float:
        """How many times deeper the plane of focus goes behind a flat face than it would in air."""
        return self.request.subject.index

    def aperture_at(self, focus_um: FloatArray) -> Aperture:
        """Magnification and apertures at planes of focus, arrays of the shape of ``focus_um``."""
        if self.rear:
            state = rear_focus(self.imaging, focus_um / self.embedding / 1000)
            return Aperture(
                magnification=state.magnification,
                effective_f_number=state.effective_f_number,
                object_na=state.object_na,
            )
        front = Aperture.of(self.imaging)
        return Aperture(
            magnification=np.full_like(focus_um, front.magnification),
            effective_f_number=np.full_like(focus_um, front.effective_f_number),
            object_na=np.full_like(focus_um, front.object_na),
        )

    def along(self, length_um: Callable[[Aperture], FloatArray]) -> PerDepth:
        """A length that depends on the aperture, as a function of depth or as one number."""
        if self.rear:
            return lambda focus_um: length_um(self.aperture_at(focus_um))
        return float(length_um(Aperture.of(self.imaging)))

    def planes(self, *, microstep_um: float | None, lead_error: float) -> Planes:
        """Lay the planes of focus.

        Raises
        ------
        Refusal
            If a step is under one microstep, or there are too many planes.
        """
        subject, criterion = self.request.subject, self.criterion
        return lay_planes(
            Extent(
                depth_um=subject.depth_mm * 1000,
                end_frames=self.request.focus.end_frames,
                lead_error=lead_error,
                beyond_um=self._beyond_um(),
            ),
            step_um=self.along(criterion.step_um),
            slice_um=self.along(criterion.slice_um),
            microstep_um=microstep_um,
            zones=tuple(
                binding.Zone(
                    from_um=zone.from_mm * 1000,
                    to_um=zone.to_mm * 1000,
                    step_um=self.along(lambda aperture, zone=zone: criterion.zone_step_um(zone, aperture)),  # type: ignore[misc]
                )
                for zone in subject.zones
            ),
            gaps=tuple(binding.Gap(from_um=gap.from_mm * 1000, to_um=gap.to_mm * 1000) for gap in subject.gaps),
            rail_map=self._rail_map(),
            entrance_pupil_um=self._entrance_pupil_um(),
        )

    def _entrance_pupil_um(self) -> PerDepth | None:
        """To the plane of focus, in the same depths as all else: behind a flat face all seems nearer alike."""
        front_mm = self.imaging.entrance_pupil_mm
        if front_mm is None or self.imaging.telecentric:
            return None
        front_um = front_mm * 1000 * self.embedding
        return (lambda focus_um: front_um + focus_um) if self.rear else front_um

    def _beyond_um(self) -> tuple[float, float]:
        """How far a bent field makes the stack reach beyond front and back.

        Where the plane of focus lies c deeper at the corners than at the centre, the front is sharp there only in a
        frame that focuses c before it at the centre. The bend grows as the square of the distance from the centre.
        """
        bend_um = self.request.focus.field_curvature_um or 0.0
        width_mm = self.request.subject.width_mm
        if width_mm is not None:
            field_mm = self.request.camera.sensor_mm[0] / self.imaging.magnification
            bend_um *= min(1.0, width_mm / field_mm) ** 2
        return max(bend_um, 0.0), max(-bend_um, 0.0)

    def _rail_map(self) -> FocusRailMap | None:
        """Rail against depth, where the two differ: what lies behind a flat face seems nearer by its index."""
        face, imaging = self.embedding, self.imaging
        if self.rear:
            return FocusRailMap(
                to_rail_um=lambda focus_um: rear_focus(imaging, focus_um / face / 1000).rail_mm * 1000,
                to_focus_um=lambda rail_um: face * rear_depth_mm(imaging, rail_um / 1000) * 1000,
            )
        if face == 1:
            return None
        return FocusRailMap(to_rail_um=lambda focus_um: focus_um / face, to_focus_um=lambda rail_um: face * rail_um)
