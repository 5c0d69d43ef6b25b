"""Windows of a session: what the field did in each, what the log says of it, how much of it is clean."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.writing import written_aside
from schemas.columns import WINDOWS
from schemas.tables import arrow_schema

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

CLASSES = ("rest", "hand", "arm", "body")
"""Intensities of the log, in the order of how much of the body moves."""

FEATURES = ("mean_absolute", "sd", "slope", "peak_to_peak", "mean_hz", "step_share")
"""Columns of :attr:`Windows.features`: four in time, two in frequency."""

AMPLITUDE, EXCURSION = FEATURES.index("mean_absolute"), FEATURES.index("peak_to_peak")

CLEAN_SHARE = 0.9
"""Samples of a kept window that must be clean: a radio packet or two may be missing in 2 s."""


@dataclass(frozen=True)
class Windows:
    """Windows of one session in the order of time.

    Attributes
    ----------
    start_s : float64, shape (n,)
        Start of each, from the session's first sample.
    label : int64, shape (n,)
        Index into `CLASSES`; -1 where the log says nothing, or changes within the window.
    stretch : int64, shape (n,)
        Row of the session's log; -1 where in none.
    features : float64, shape (n, 6)
        Columns by `FEATURES`; NaN where too much is lost, or where nothing moves (of the last two).
    clean : float64, shape (n,)
        Share of the samples that are there and in no fault.
    usable : bool, shape (n,)
        Whether the whole window is analysed: by the verdict, or as a person decided.
    channel : str
        The field channel that was looked at.
    absent : str
        Why there are no windows; empty where there are.
    """

    start_s: Floats
    label: Ints
    stretch: Ints
    features: Floats
    clean: Floats
    usable: Bools
    channel: str = ""
    absent: str = ""

    def __len__(self) -> int:
        return len(self.start_s)

    @property
    def valued(self) -> Bools:
        """Windows whose amplitude is known: what there is before exclusions."""
        return ~np.isnan(self.features[:, AMPLITUDE])

    @property
    def kept(self) -> Bools:
        """Windows that are left after exclusions: analysed as a whole, and clean but for a few samples."""
        return self.valued & self.usable & (self.clean >= CLEAN_SHARE)

    @cached_property
    def by_stretch(self) -> tuple[Ints, Ints, Ints]:
        """Windows that lie in a stretch of the log, stretch by stretch, each in the order of time.

        Which they are; where each stretch begins among these; and how many windows it has.
        """
        inside = np.flatnonzero(self.stretch >= 0)
        at = inside[np.argsort(self.stretch[inside], kind="stable")]
        _, begins, lasts = np.unique(self.stretch[at], return_index=True, return_counts=True)
        return at, begins, lasts


def no_windows(absent: str, channel: str = "") -> Windows:
    """A session without windows, and why."""
    none, ints = np.empty(0), np.empty(0, np.int64)
    return Windows(none, ints, ints, np.empty((0, 6)), none, np.empty(0, np.bool_), channel, absent)


def write_windows(windows: Windows, path: Path) -> None:
    """Write the table of windows; one without rows, too, with the reason in its metadata."""
    names = np.array([*CLASSES, ""], dtype=object)
    columns: Mapping[str, pa.Array] = {
        "start_s": pa.array(windows.start_s),
        "intensity": pa.array(names[windows.label], pa.string(), mask=windows.label < 0),
        "stretch": pa.array(windows.stretch),
        **{
            name: pa.array(values, mask=np.isnan(values))
            for name, values in zip(FEATURES, windows.features.T, strict=True)
        },
        "clean": pa.array(windows.clean),
        "usable": pa.array(windows.usable.astype(np.int64)),
    }
    schema = arrow_schema(WINDOWS, {"channel": windows.channel, "absent": windows.absent})
    table = pa.table([columns[column.name] for column in WINDOWS], schema=schema)
    with written_aside(path) as aside:
        pq.write_table(table, aside, compression="zstd")


def read_windows(path: Path) -> Windows:
    """Read what :func:`write_windows` wrote.

    Raises
    ------
    ValueError
        Where the file is another one.
    """
    table = pq.ParquetFile(path).read(use_threads=False)
    metadata = {key.decode(): value.decode() for key, value in (table.schema.metadata or {}).items()}
    if table.column_names != [column.name for column in WINDOWS] or "absent" not in metadata:
        raise ValueError(f"{path}: expected a table of windows")
    place = pa.array(CLASSES)
    label = pa.compute.index_in(table.column("intensity"), place).fill_null(-1)
    return Windows(
        table.column("start_s").to_numpy(),
        label.to_numpy().astype(np.int64),
        table.column("stretch").to_numpy(),
        np.stack([table.column(name).to_numpy().astype(np.float64) for name in FEATURES], axis=1),
        table.column("clean").to_numpy(),
        table.column("usable").to_numpy() == 1,
        metadata["channel"],
        metadata["absent"],
    )
