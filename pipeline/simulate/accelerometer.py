"""The accelerometer beside the electrode."""

from dataclasses import dataclass

import numpy as np

from pipeline.layouts.units import STANDARD_GRAVITY
from pipeline.simulate.body import Array


@dataclass(frozen=True)
class Accelerometer:
    """Errors of the part, in m/s2 where nothing else is said.

    Uncorrected parts are off by about 17 to 77 m[g] (van Hees et al. 2014); a good one by less. Noise is
    common practice, no source.

    Attributes
    ----------
    gain_error : tuple of float
        Of each axis, a ratio.
    offset_m_s2, noise_m_s2 : tuple of float, float
        Of each axis, and the deviation at the sampling rate.
    pitch_rad, roll_rad : float
        How the forearm lies where nothing else tilts it.
    stuck_axis : int, optional
        Holds its first value.
    axes : tuple of int
        Which axis stands in each column; (1, 0, 2) are two swapped ones.
    gravity : bool
        False for a part or a driver that takes gravity away.
    """

    gain_error: tuple[float, float, float] = (0.004, -0.006, 0.003)
    offset_m_s2: tuple[float, float, float] = (0.10, -0.06, 0.08)
    noise_m_s2: float = 0.03
    pitch_rad: float = 0.35
    roll_rad: float = 0.2
    stuck_axis: int | None = None
    axes: tuple[int, int, int] = (0, 1, 2)
    gravity: bool = True


def sense(part: Accelerometer, wrist: Array, tilt: Array, rng: np.random.Generator) -> Array:
    """Specific force in m/s2, shape (n, 3): gravity by the tilt (n, 2) and the wrist's own (n, 3)."""
    pitch, roll = part.pitch_rad + tilt[:, 0], part.roll_rad + tilt[:, 1]
    up = np.stack([np.sin(pitch), np.cos(pitch) * np.sin(roll), np.cos(pitch) * np.cos(roll)], axis=1)
    felt = STANDARD_GRAVITY * up + wrist if part.gravity else wrist
    noise = part.noise_m_s2 * rng.standard_normal(felt.shape)
    shown = felt * (1 + np.array(part.gain_error)) + np.array(part.offset_m_s2) + noise
    if part.stuck_axis is not None:
        shown[:, part.stuck_axis] = shown[0, part.stuck_axis]
    return np.asarray(shown[:, list(part.axes)], dtype=np.float64)
