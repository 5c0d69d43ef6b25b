"""Look into one dump: what a layout makes of it, what was lost, and where every byte went."""

import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from pipeline.errors import InputError, Problem, Unreadable
from pipeline.finder.clocks import doubts
from pipeline.finder.explain import explained
from pipeline.finder.search import Proposal, smallest_change
from pipeline.frames import Dump, read_frames
from pipeline.layouts import Layout, load_layout
from pipeline.peek.left_out import losses, stretches_left_out
from pipeline.peek.quick import ChannelSeen, Seen, look_at
from pipeline.peek.words import n_of, shown
from pipeline.peek.worth import worth
from pipeline.timebase import Grid, JoinedGrid, Placing, place_session
from pipeline.verdict.policy import builtin_policy

_HEAD_BYTES = 1 << 20


def peek(dump: Path, layout_file: Path | None) -> int:
    """Print what a layout makes of a dump, or which layout it may have where none is given.

    Returns
    -------
    int
        0 where samples came out, 1 where none did, as without a layout.

    Raises
    ------
    InputError
        Where the layout is wrong, or either file cannot be read.
    """
    layout = open_both(dump, layout_file)
    lines = _without_layout(dump) if layout is None else _with_layout(dump, layout)
    codes = [1]
    for line, code in lines:
        print(line)
        codes.append(code)
    return codes[-1]


def open_both(dump: Path, layout_file: Path | None) -> Layout | None:
    """The layout, once it is clear that it and the dump can be read; None where none is given."""
    problems: list[Problem] = []
    layout = load_layout(layout_file, str(layout_file), problems) if layout_file else None
    if not dump.is_file():
        found = "a folder" if dump.is_dir() else "no regular file" if dump.exists() else "no such file"
        problems.append(Problem(str(dump), "", "a dump", found, "Name a file, or correct its path."))
    if problems:
        raise InputError(problems)
    return layout


def _without_layout(dump: Path) -> Iterator[tuple[str, int]]:
    from pipeline.finder.found import describe  # only needed here

    for line in describe(dump):
        yield line, 1


def _with_layout(dump: Path, layout: Layout) -> Iterator[tuple[str, int]]:
    with tempfile.TemporaryDirectory() as spool:
        try:
            reading = read_frames([(str(dump), dump)], layout, Path(spool))
            placing = place_session([reading])
        except Unreadable as error:
            problem = explained(error.problem, dump, layout)
            yield shown(str(problem)), 1
            if problem == error.problem and (hint := _looks_like(dump)):
                yield hint, 1
            return
        with dump.open("rb") as source:
            change = smallest_change(layout, source.read(_HEAD_BYTES))
        policy = builtin_policy()
        seen = [look_at(grid, policy) for grid in placing.grids]
        clocks = [line for grid in placing.grids for line in doubts(grid)]
        yield worth(placing, seen[0], policy, change is not None or bool(clocks)), 0
        for line in (
            *_about_layout(layout, change, clocks),
            *_about_grids(placing, seen),
            *losses(dump, placing.grids),
            *_about_bytes(placing.dumps),
            *stretches_left_out(dump, reading.streams),
            *(f"  note        {note}" for note in placing.notes),
        ):
            yield line, 0


def _looks_like(dump: Path) -> str:
    """What the dump might be, where no change makes the layout fit; empty where nothing is found either."""
    from pipeline.finder.found import find_layout  # only needed here

    with dump.open("rb") as source:
        found = find_layout(source.read(_HEAD_BYTES))
    if found is None:
        return ""
    return f"It looks like framing = '{found.layout.framing}': peek without --layout prints a layout for it."


def _about_layout(layout: Layout, change: Proposal | None, clocks: list[str]) -> Iterator[str]:
    yield f"{layout.title}"
    if change is not None:
        yield f"  wrong?      {change.words}"
        if change.signs:
            yield f"              {change.signs}"
    for line in clocks:
        yield f"  wrong?      {line}"


def _about_grids(placing: Placing, seen: list[Seen]) -> Iterator[str]:
    damaged = sum(dump.n_damaged_frames for dump in placing.dumps)
    for i, grid in enumerate(placing.grids):
        if len(placing.grids) > 1:
            yield f"{grid.sample_hz:g} Hz: {', '.join(channel.name for channel in grid.channels)}"
        yield from _about_frames(grid, damaged if i == 0 else None)
        for one in seen[i].channels:
            yield f"  {one.channel.name:<11} {_range(one)}"
    for kind in placing.events:
        yield f"  events      {n_of(len(kind.time_s), 'event')} of kind '{kind.kind}'"


def _about_frames(grid: Grid | JoinedGrid, damaged: int | None) -> Iterator[str]:
    clock, nominal_hz = grid.clock, grid.sample_hz
    yield f"  recorded    {grid.n_rows / (clock.rate_hz or nominal_hz):.1f} s, {grid.n_rows} samples"
    expected = grid.n_expected_frames or grid.n_frames
    yield f"  frames      {grid.n_frames} good, {grid.n_lost_frames} lost of {expected} expected"
    of_dump = f"{damaged} damaged, " if damaged is not None else ""
    yield f"              {of_dump}{grid.n_duplicate_frames} repeated, {grid.n_late} late"
    by = {"receiver": "the receiver's stamps", "ticks": "its ticks"}.get(clock.source, "its clock")
    rate = f"{clock.rate_hz:.4f} Hz by {by}" if clock.rate_hz else "unknown: the dump has no clock"
    yield f"  rate        {rate} (layout: {nominal_hz:g} Hz)"
    for restart in grid.restarts:
        yield f"  began anew  at sample {restart.row}: {restart.reason}"
    for pause in grid.breaks:
        whose = "its ticks" if pause.by == "ticks" else "the receiver's stamps"
        yield f"  paused      for {pause.gap_s:.1f} s before sample {pause.row}, by {whose}"
    for step in grid.steps:
        yield f"  clock set   by {step.step_s:+.3f} s before sample {step.row} ({step.of})"


def _range(one: ChannelSeen) -> str:
    channel = one.channel
    if not one.n_present:
        return "no sample"
    ends = np.array([one.low, one.high]) * channel.scale + channel.offset
    codes = f"codes {one.low} to {one.high} of {channel.adc_min} to {channel.adc_max}"
    return f"{ends.min():.4g} to {ends.max():.4g} {channel.unit}, {codes}"


def _about_bytes(dumps: tuple[Dump, ...]) -> Iterator[str]:
    for dump in dumps:
        ledger = dump.ledger
        yield (
            f"  bytes       {ledger.total}: {ledger.decoded} decoded, {ledger.duplicate} duplicate, "
            f"{ledger.damaged} damaged, {ledger.unrecognised} unrecognised, {ledger.padding} padding"
        )
