"""Look into one dump: what a layout makes of it, what was lost, and where every byte went."""

import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from pipeline.errors import InputError, Problem, Unreadable
from pipeline.frames import Dump, read_frames
from pipeline.glimpse import glimpse
from pipeline.layouts import Channel, load_layout
from pipeline.left_out import losses, stretches_left_out
from pipeline.recording import to_units
from pipeline.timebase import Grid, place_session


def peek(dump: Path, layout_file: Path | None) -> int:
    """Print what a layout makes of a dump, or what it looks like where no layout is given.

    Returns
    -------
    int
        0 where samples came out, 1 where none did, as without a layout.

    Raises
    ------
    InputError
        Where the layout is wrong, or either file cannot be read.
    """
    problems: list[Problem] = []
    layout = load_layout(layout_file, str(layout_file), problems) if layout_file else None
    if not dump.is_file():
        found = "a folder" if dump.is_dir() else "no regular file" if dump.exists() else "no such file"
        problems.append(Problem(str(dump), "", "a dump", found, "Name a file, or correct its path."))
    if problems:
        raise InputError(problems)
    if layout is None:
        for line in glimpse(dump):
            print(line)
        return 1
    with tempfile.TemporaryDirectory() as spool:
        try:
            placing = place_session([read_frames([(str(dump), dump)], layout, Path(spool))])
            grid = placing.main
        except Unreadable as error:
            print(error.problem)
            return 1
        for line in (
            *_about_frames(grid),
            *losses(dump, grid),
            *_about_channels(grid),
            *_about_bytes(placing.dumps),
            *stretches_left_out(dump, grid.frames),
        ):
            print(line)
    return 0


def _about_frames(grid: Grid) -> Iterator[str]:
    frames, clock, layout = grid.frames, grid.clock, grid.frames.layout
    nominal_hz = frames.stream.sample_hz
    yield f"{layout.title}"
    yield f"  recorded    {grid.n_rows / (clock.rate_hz or nominal_hz):.1f} s, {grid.n_rows} samples"
    expected = grid.n_expected_frames or len(frames.table)
    yield f"  frames      {len(frames.table)} good, {grid.n_lost_frames} lost of {expected} expected"
    damaged = sum(dump.n_damaged_frames for dump in frames.dumps)
    repeated = int(np.count_nonzero(grid.duplicate))
    yield f"              {damaged} damaged, {repeated} repeated, {grid.n_late} late"
    rate = (
        f"{clock.rate_hz:.4f} Hz by its {clock.source}" if clock.rate_hz else "unknown: the dump has no clock"
    )
    yield f"  rate        {rate} (layout: {nominal_hz:g} Hz)"
    for restart in grid.restarts:
        yield f"  began anew  at sample {restart.row}: {restart.reason}"
    for pause in grid.breaks:
        yield f"  paused      for {pause.gap_s:.1f} s before sample {pause.row}, by its ticks"


def _about_channels(grid: Grid) -> Iterator[str]:
    channels = grid.frames.stream.channels
    low = np.full(len(channels), np.iinfo(np.int64).max)
    high = np.full(len(channels), np.iinfo(np.int64).min)
    for _, counts, rows in grid.blocks():
        present = rows[:, 0]
        if present.any():
            low = np.minimum(low, counts[present].min(axis=0))
            high = np.maximum(high, counts[present].max(axis=0))
    for i, channel in enumerate(channels):
        yield f"  {channel.name:<11} {_range(channel, low[i : i + 1], high[i : i + 1])}"


def _range(channel: Channel, low: np.ndarray, high: np.ndarray) -> str:
    first, last = sorted((float(to_units(low, channel)[0]), float(to_units(high, channel)[0])))
    codes = f"codes {low[0]} to {high[0]} of {channel.adc_min} to {channel.adc_max}"
    return f"{first:.4g} to {last:.4g} {channel.unit}, {codes}"


def _about_bytes(dumps: tuple[Dump, ...]) -> Iterator[str]:
    for dump in dumps:
        ledger = dump.ledger
        yield (
            f"  bytes       {ledger.total}: {ledger.decoded} decoded, {ledger.duplicate} duplicate, "
            f"{ledger.damaged} damaged, {ledger.unrecognised} unrecognised, {ledger.padding} padding"
        )
