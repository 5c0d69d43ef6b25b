"""Known faults planted in recordings, and how many of them are found."""
