"""Stamps written as a date and time of day, or as a time of day alone (row 1).

Source of the form: ISO 8601; the standard library reads it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime

DAY_US = 86_400_000_000

_ZONE = r"(?: ?(?:Z|[+-]\d\d(?::?\d\d)?))?"
_DATED = re.compile(
    rf"(?:\d{{4}}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:[.,](\d+))?)?|\d{{8}}T\d{{6}}(?:[.,](\d+))?){_ZONE}", re.ASCII
)
_DAILY = re.compile(r"(\d{1,3}):([0-5]\d):([0-5]\d)(?:[.,](\d+))?", re.ASCII)
_BLANK_BEFORE_ZONE = re.compile(" (?=[Z+-])")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DIGITS = 6


class ClockText:
    """Reads stamps of one form, each as microseconds: since 1970 where dated, otherwise since midnight.

    daily : whether the form has no date, so that the clock begins anew at midnight.
    finer : whether a stamp was finer than a microsecond and was cut.
    """

    def __init__(self, daily: bool) -> None:
        self.daily = daily
        self.finer = False

    def __str__(self) -> str:
        return "times of day" if self.daily else "dates and times of day"

    def __call__(self, text: str) -> float | None:
        """Microseconds, or None where the text is no stamp of this form."""
        return self._since_midnight(text) if self.daily else self._since_epoch(text)

    def _since_midnight(self, text: str) -> float | None:
        match = _DAILY.fullmatch(text)
        if match is None:
            return None
        hours, minutes, seconds, broken = match.groups()
        whole_s = 3600 * int(hours) + 60 * int(minutes) + int(seconds)
        return float(1_000_000 * whole_s + self._broken_us(broken))

    def _since_epoch(self, text: str) -> float | None:
        match = _DATED.fullmatch(text)
        if match is None:
            return None
        self._broken_us(match[1] or match[2])
        try:
            at = datetime.fromisoformat(_BLANK_BEFORE_ZONE.sub("", text))
            since = (at if at.tzinfo else at.replace(tzinfo=UTC)) - _EPOCH
        except (ValueError, OverflowError):
            # A 31st of April, or a second 60.
            return None
        return float(1_000_000 * (DAY_US // 1_000_000 * since.days + since.seconds) + since.microseconds)

    def _broken_us(self, digits: str | None) -> int:
        if not digits:
            return 0
        self.finer = self.finer or bool(digits[_DIGITS:].strip("0"))
        return int(digits[:_DIGITS].ljust(_DIGITS, "0"))


def clock_text(cells: Sequence[str]) -> ClockText | None:
    """How these stamps are to be read, or None where most are of neither form."""
    texts = [text for cell in cells if (text := cell.strip())]
    for daily, form in ((False, _DATED), (True, _DAILY)):
        if 2 * sum(form.fullmatch(text) is not None for text in texts) > len(texts):
            return ClockText(daily)
    return None


def date_of(t_us: int) -> str:
    """A moment since 1970 in words."""
    return (
        datetime.fromtimestamp(t_us // 1_000_000, UTC).replace(microsecond=t_us % 1_000_000, tzinfo=None).isoformat(" ")
    )
