"""How limits are moved, to see which verdicts hang on where they stand."""

MOVES = (0.5, 0.8, 0.9, 1.1, 1.2, 1.5)
"""Factors by which all limits are moved; below 1 they are stricter. A lower limit moves the other way."""


def factor_of(bound: str, move: float) -> float:
    """What a limit of that bound is multiplied by in a move: a lower limit is eased by being lowered."""
    return round(2 - move, 6) if bound == "min" else move


def moved_limit(limit: float, bound: str, unit: str, factor: float) -> float:
    """A limit times `factor`; a share that is asked for stays at most 1, which is all that there is."""
    value = limit * factor
    return min(value, max(limit, 1.0)) if bound == "min" and unit == "1" else value
