"""The data folder of a small invented bundle: recordings by count, a log of the pottery, its study."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.bundle.fields import ACTIVITIES
from pipeline.bundle.recoded import Recoded, RecodedActivity, RecodedSession, Wishes
from pipeline.bundle.tables import session_columns
from pipeline.layouts import Channel
from pipeline.recording import sample_columns, to_units
from pipeline.recording.recording import channel_metadata
from schemas.tables import arrow_schema, arrow_table
from tests.make import FIELD, acceleration_axes

CHANNELS = (FIELD, *acceleration_axes())
WEDGING = RecodedActivity(0.5, 9.0, "arm-1", "arm")
CARRYING = RecodedActivity(9.0, 17.3, "body-1", "body")
RESTING = RecodedActivity(17.3, 24.0, "rest-1", "rest")
LOG = (WEDGING, CARRYING, RESTING)


@dataclass(frozen=True)
class Rows:
    """What a file of samples holds: index, time, counts by channel (n, channels), presence, quality."""

    sample: np.ndarray
    time_s: np.ndarray
    counts: np.ndarray
    present: np.ndarray
    quality: np.ndarray


def rows_of(
    channels: Sequence[Channel], seed: int, seconds: float = 24.0, parts: Sequence[tuple[float, float]] = ()
) -> Rows:
    """Counts over the whole range, with lost samples and conditions; of `parts` alone, where given."""
    random = np.random.default_rng(seed)
    rate_hz = channels[0].sample_hz
    n = round(seconds * rate_hz)
    ranges = [(channel.adc_min, channel.adc_max) for channel in channels]
    counts = np.stack([random.integers(low, high, n, endpoint=True) for low, high in ranges], 1)
    counts[:2] = np.array(ranges).T  # either end of the range is there
    quality = np.zeros(n, np.uint32)
    for bit in range(1, 8):
        at = random.integers(0, n)
        quality[at : at + n // 50] |= 1 << bit
    present = np.ones(n, bool)
    for at in random.integers(2, n - 40, 3):
        present[at : at + 40] = False
    quality[~present] |= 1
    time_s = np.arange(n) / (rate_hz * (1 + 12e-6))  # a crystal that is 12 ppm slow
    kept = np.ones(n, bool) if not parts else np.any([(time_s >= a) & (time_s < b) for a, b in parts], 0)
    return Rows(np.arange(n)[kept], time_s[kept], counts[kept], present[kept], quality[kept])


def write_rows(path: Path, channels: Sequence[Channel], rows: Rows, group_rows: int = 1000) -> None:
    """Write samples as the bundle has them."""
    hz = channels[0].sample_hz
    clock = {"clock_source": "ticks", "clock_rows": f"[0.0, {hz}]", "clock_s": f"[0.0, {1 - 12e-6}]"}
    about = {"sample_hz": repr(hz * (1 + 12e-6)), "nominal_hz": repr(hz), **clock}
    schema = arrow_schema(sample_columns(channels, True), about, channel_metadata(channels))
    columns = [pa.array(rows.sample), pa.array(rows.time_s)]
    for index, channel in enumerate(channels):
        values = to_units(rows.counts[:, index], channel)
        columns.append(pa.array(values, mask=~rows.present))
    columns.append(pa.array(rows.quality))
    path.parent.mkdir(parents=True, exist_ok=True)
    pq.write_table(pa.Table.from_arrays(columns, schema=schema), path, row_group_size=group_rows)


def session(number: int, **changed: object) -> RecodedSession:
    made = RecodedSession(
        code=f"S{number:03d}",
        participant=f"P{(number + 1) // 2:02d}",
        device="D01",
        site="L01",
        layout="layout-1",
        started_at=datetime(2031, 3, 2, 9, 30, 15, 250000, tzinfo=UTC),
        mains_hz=50.0,
        activities=LOG,
        extra={},
        quality={},
        review=None,
        use="whole",
        has_recording=True,
        parts=None,
        suffixes=("",),
        has_events=False,
    )
    return replace(made, **changed)


def study_of(sessions: Sequence[RecodedSession]) -> Recoded:
    return Recoded(
        title="Electric-field recordings",
        version="0.1.0",
        policy_sha256="3d" * 32,
        policy_text="",
        layouts={"layout-1": ("4c" * 32, "")},
        sessions=tuple(sessions),
        findings={},
        time_zone="UTC",
        wishes=Wishes(formats=frozenset({"csv", "edf"})),
    )


def write_tables(folder: Path, sessions: Sequence[RecodedSession]) -> None:
    """The sessions and the activity log of a bundle."""
    log = [{"session": one.code, **asdict(a)} for one in sessions for a in one.activities]
    pq.write_table(arrow_table(ACTIVITIES, log), folder / "activities.parquet")
    columns = session_columns(sessions)
    texts = {column.name: "" for column in columns if column.dtype == "string" and not column.nullable}
    rows = [
        texts
        | {
            "session": one.code,
            "noise_v": 0.1 + 0.2,
            "mains_hz_nominal": one.mains_hz,
            "analysed": one.use,
            "analysed_s": 0.0,
            "recording": "whole" if one.has_recording else "no",
        }
        for one in sessions
    ]
    pq.write_table(arrow_table(columns, rows), folder / "sessions.parquet")
