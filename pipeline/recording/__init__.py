"""Counts to a recording in units: written as Parquet, validated, read again in blocks."""
