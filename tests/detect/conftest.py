"""Pictures with known truth for detectors."""

from dataclasses import dataclass

import numpy as np
import pytest

from bench.detect.observation import Observation
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import Imaging, capture, noise_free
from bench.imaging.optics import Optics
from bench.imaging.picture import Picture
from bench.imaging.region import region_of
from bench.targets.target import Target

CAMERA = Camera(640, 480, 1000.0, 1000.0, 319.5, 239.5)
# A lens as blurred as a good machine-vision lens; light and sensor are the model's defaults.
IMAGING = Imaging(Optics(sigma_px=0.6))
PHASES = 6


@dataclass(frozen=True)
class Scene:
    """What detectors see, and where a target's points truly are in it."""

    observation: Observation
    T_camera_target: Pose
    imaging: Imaging

    def errors(self, detection):
        """Return found minus true pixels (N, 2), matched by where the points are on the target."""
        camera = self.observation.camera
        return detection.pixels - project(detection.p_target, self.T_camera_target, camera)


@pytest.fixture(scope="session")
def scene_of():
    """Return a function that holds a target of `size_px` before the camera."""

    def build(
        target: Target,
        size_px: float = 100.0,
        turn_deg: float = 0.0,
        roll_deg: float = 0.0,
        pixel: tuple[float, float] = (320.3, 240.4),
        rng: np.random.Generator | None = None,
        imaging: Imaging = IMAGING,
    ) -> Scene:
        size = target.marker_size if target.kind == "marker" else target.extent
        view = View(
            CAMERA.fx * size / size_px,
            turn=np.radians(turn_deg),
            roll=np.radians(roll_deg),
            pixel=pixel,
        )
        pose = pose_of_view(view, CAMERA)
        # below 14 px a cut-out region hides markers from OpenCV, see bench.detect.aruco
        region = region_of(target.drawing, pose, CAMERA, 16.0)
        if rng is None:
            picture = noise_free(target.drawing, pose, CAMERA, imaging, region)
        else:
            picture = capture(target.drawing, pose, CAMERA, imaging, region, rng)
        return Scene(Observation(picture, CAMERA, target), pose, imaging)

    return build


@pytest.fixture(scope="session")
def errors_over_phases(scene_of):
    """Return a function: a detector's errors (36, N, 2) with the target at 6 x 6 sub-pixel places.

    At places a sixth of a pixel apart an edge meets the pixel grid in every way. The target is
    rolled too, for at roll 0 an edge meets all pixels along it alike.
    """

    def collect(detector, target, size_px, turn_deg, roll_deg, rng=None):
        found = []
        for u, v in np.ndindex(PHASES, PHASES):
            scene = scene_of(
                target,
                size_px,
                turn_deg,
                roll_deg if rng is None else roll_deg + rng.uniform(-10.0, 10.0),
                (320.0 + u / PHASES, 240.0 + v / PHASES),
                rng,
            )
            found.append(scene.errors(detector.detect(scene.observation)))
        return np.array(found)

    return collect


@pytest.fixture
def picture_without_target():
    """Return a picture of an even grey."""
    return Picture(np.full((200, 300), 90, dtype=np.uint8))
