"""How numbers are said in a verdict's sentence (row 3)."""

from __future__ import annotations

import math


def number(value: float) -> str:
    """Four significant digits, no exponent for everyday sizes, no trailing zeros; whole parts are kept whole."""
    if not math.isfinite(value) or value == 0 or not 1e-4 <= abs(value) < 1e9:
        return f"{value:.4g}"
    digits = max(0, 3 - math.floor(math.log10(abs(value))))
    text = f"{value:.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def quantity(value: float, unit: str) -> str:
    """A number with its unit; a plain number has none."""
    return number(value) if unit == "1" else f"{number(value)} {unit}"


def clock(time_s: float) -> str:
    """A moment in the run: to the millisecond, further only where it falls between two."""
    return f"{time_s:.3f} s" if abs(round(time_s, 3) - time_s) < 1e-9 else f"{time_s:.6f} s"


def span(seconds: float) -> str:
    """A stretch of time, to the microsecond, without trailing zeros."""
    return f"{seconds:.6f}".rstrip("0").rstrip(".") + " s"


def times(count: int) -> str:
    """How often."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")
