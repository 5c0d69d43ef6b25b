"""Layouts: how the bytes of one kind of dump become counts, and counts become units."""

from pipeline.layouts.layout import (
    NUMBER_TYPES,
    Channel,
    Checksum,
    Frame,
    Layout,
    Part,
    Stream,
    TextForm,
)
from pipeline.layouts.load import load_layout

__all__ = [
    "NUMBER_TYPES",
    "Channel",
    "Checksum",
    "Frame",
    "Layout",
    "Part",
    "Stream",
    "TextForm",
    "load_layout",
]
