"""Bytes, counts and places as peek writes them."""

SHOWN_CHARACTERS = 100


def printable(data: bytes, most: int = SHOWN_CHARACTERS) -> str:
    """Bytes as one line that any terminal can show: what is not printable ASCII as escapes."""
    shown = "".join(chr(b) if 32 <= b < 127 else "\\t" if b == 9 else f"\\x{b:02x}" for b in data[: most + 1])
    return shown if len(shown) <= most else shown[: most - 3] + "..."


def shown(text: str) -> str:
    """A text without anything that a terminal obeys."""
    return "".join(c if c.isprintable() or c == "\n" else repr(c)[1:-1] for c in text)


def n_of(n: int, what: str) -> str:
    """A number with what it counts: '1 byte', '2,000 bytes'."""
    return f"{n:,} {what}{'' if n == 1 else 's'}"


def lasting(seconds: float) -> str:
    """A length of time: '45 s', '2.5 min', '61 min', '7.5 h'."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 570:
        return f"{seconds / 60:.2g} min"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


def percent(share: float) -> str:
    """A share in percent, with no more digits than it needs: '0 %', '0.2 %', '12 %'."""
    if 0 < share < 0.001:
        return "below 0.1 %"
    return f"{share * 100:.0f} %" if share >= 0.095 else f"{share * 100:.2g} %"
