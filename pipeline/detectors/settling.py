"""How long the AC coupling takes to recover."""

import math

from pipeline.layouts import Channel


def settling_s(channel: Channel, residue: float) -> float | None:
    """Time until `residue` of an overload is left; None where the layout states no AC coupling."""
    if channel.ac_corner_hz is None or not 0 < residue < 1:
        return None
    return -math.log(residue) / (2 * math.pi * channel.ac_corner_hz)
