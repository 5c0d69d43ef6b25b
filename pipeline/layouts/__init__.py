"""Layouts: how the bytes of one kind of dump become counts, and counts become units."""

from pipeline.layouts.layout import (
    BINARY_TYPES,
    Channel,
    Checksum,
    Frame,
    Layout,
    Part,
    TextForm,
)
from pipeline.layouts.load import load_layout

__all__ = ["BINARY_TYPES", "Channel", "Checksum", "Frame", "Layout", "Part", "TextForm", "load_layout"]
