"""Dump bytes to frames: readers by framing, checksums, and the ledger of every byte."""

from pipeline.frames.frames import Dump, DumpFile, Frames, FrameTable, Ledger, Reading
from pipeline.frames.read import read_frames
from pipeline.frames.spool import CountSpool

__all__ = ["CountSpool", "Dump", "DumpFile", "FrameTable", "Frames", "Ledger", "Reading", "read_frames"]
