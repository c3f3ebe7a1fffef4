"""The clock: integer microseconds, and the one way to seconds (row 0).

Instants and the durations compared with them are whole microseconds, so that
equality and order never depend on rounding. Equations use seconds.
"""

US_PER_S = 1_000_000


def to_s(t_us: float) -> float:
    """Seconds for a count of microseconds."""
    return t_us / US_PER_S


def to_us(t_s: float) -> int:
    """The nearest whole microsecond to a time in seconds."""
    return round(t_s * US_PER_S)


def tick_count(duration_us: int, tick_us: int) -> int:
    """How many control ticks start before `duration_us`; the last may run past it."""
    return -(-duration_us // tick_us)
