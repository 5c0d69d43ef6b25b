"""The single source of columns, units and descriptions, and of what a user may write."""
