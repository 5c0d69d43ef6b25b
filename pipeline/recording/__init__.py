"""Counts to a recording in units: written as Parquet, validated, read again in blocks."""

from pipeline.recording.events import copy_events, write_events
from pipeline.recording.files import rate_suffixes
from pipeline.recording.recording import BLOCK_ROWS, Block, Recording, open_recording, sample_columns
from pipeline.recording.units import stored_type, to_counts, to_units
from pipeline.recording.write import validate_recording, write_recording, write_samples

__all__ = [
    "BLOCK_ROWS",
    "Block",
    "Recording",
    "copy_events",
    "open_recording",
    "rate_suffixes",
    "sample_columns",
    "stored_type",
    "to_counts",
    "to_units",
    "validate_recording",
    "write_events",
    "write_recording",
    "write_samples",
]
