"""Frames to counts on one time grid: sequence numbers, order, duplicates, losses, clock."""
