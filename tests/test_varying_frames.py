"""Frames of varying size: what is lost between them is as long as the ticks say."""

import random
from pathlib import Path

import numpy as np
from cases import CASES
from damage import Planted, mixed
from encode import encode_all
from shapes import read_all

from pipeline.timebase import place_session


def test_lost_frames_are_as_long_as_the_ticks_say(tmp_path: Path) -> None:
    """One in twenty of 1000 frames of 1 to 8 rows is lost: no frame is placed a row beside its own."""
    layout, rng = CASES["sync stated"].layout, np.random.default_rng(1)
    sizes = rng.integers(1, 9, 1000).tolist()
    encoded = encode_all(layout, [rng.integers(-2000, 2000, (8000, 2))], samples_per_frame=sizes)
    chance = random.Random(1)
    actions = ["lose" if i and chance.random() < 0.05 else "keep" for i in range(len(encoded))]
    reading = read_all(mixed([frame.data for frame in encoded], actions, chance), layout, tmp_path)
    grid, planted = place_session([reading]).main, Planted(layout, encoded)
    written = planted.firsts[0][planted.indices(0, grid.frames)[grid.placed]]
    assert np.array_equal(grid.start_row, written - written[0])
    assert not grid.restarts
