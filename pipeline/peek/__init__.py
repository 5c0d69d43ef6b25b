"""Look into one dump: what a layout makes of it, or which layout it may have."""
