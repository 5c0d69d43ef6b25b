"""What the files of a session's recordings are called: by their rates, the main one by none."""

from collections.abc import Iterator, Sequence
from itertools import count


def rate_suffixes(rates_hz: Sequence[float]) -> tuple[str, ...]:
    """What tells the files of recordings apart: '' for the first, then as '_50hz'.

    Rates that are written alike get more digits; the same rate a second time, a number.

    >>> rate_suffixes([250.0, 250.0, 50.0, 50.0])
    ('', '_250hz', '_50hz', '_50-2hz')
    """
    taken = [""]
    for rate_hz in rates_hz[1:]:
        taken.append(next(name for name in _names(rate_hz) if name not in taken))
    return tuple(taken)


def _names(rate_hz: float) -> Iterator[str]:
    short, full = f"{rate_hz:g}", f"{rate_hz:.12g}"
    yield f"_{short}hz"
    yield f"_{full}hz"
    for n in count(2):
        yield f"_{full}-{n}hz"
