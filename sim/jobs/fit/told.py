"""What a fit gives: estimates with intervals, what the data do not tell, and what a figure shows (row 4)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.jobs.fit.interval import Fit

Floats = NDArray[np.float64]


class Estimate(NamedTuple):
    """A number that the recordings tell.

    key : the vehicle file's dotted key, or a name of its own with the unit at its end.
    low, high : the 95 % interval.
    unit : as it is printed.
    how : where the interval comes from.
    rows, files : what it was taken from.
    of_vehicle : whether `key` is the vehicle file's, and is to be written there.
    """

    key: str
    value: float
    low: float
    high: float
    unit: str
    how: str
    rows: int
    files: tuple[str, ...]
    of_vehicle: bool = False

    @property
    def half(self) -> float:
        """Half of an interval about the value that holds all of this one."""
        return max(self.high - self.value, self.value - self.low)


class Untold(NamedTuple):
    """What the data do not tell: what it would need, and what there is instead."""

    what: str
    needed: str
    got: str

    def __str__(self) -> str:
        return f"{self.what}: needs {self.needed}; got {self.got}"


class Panel(NamedTuple):
    """Data against fit, ready to be drawn.

    data : x and y of what was recorded. dots : drawn as single points, not as a line.
    fit : x and y of the model; None where nothing was fitted.
    left : x and y of data less fit, drawn below on a scale of its own.
    marks : (x, y, words) of single points to name.
    """

    name: str
    note: str
    x_words: str
    y_words: str
    data: tuple[Floats, Floats]
    fit: tuple[Floats, Floats] | None = None
    left: tuple[Floats, Floats] | None = None
    dots: bool = False
    logarithmic: bool = False
    marks: tuple[tuple[float, float, str], ...] = ()


class Curve(NamedTuple):
    """A list of points for the vehicle file, which takes no tolerances there: its key, the points, and where from."""

    key: str
    points: tuple[tuple[float, float], ...]
    note: str


@dataclass(frozen=True, slots=True)
class Topic:
    """All that was found of one of the things asked for.

    findings : sentences. series : what a scenario can use as it was recorded.
    """

    name: str
    estimates: tuple[Estimate, ...] = ()
    untold: tuple[Untold, ...] = ()
    findings: tuple[str, ...] = ()
    panels: tuple[Panel, ...] = ()
    series: tuple[Series, ...] = ()
    curve: Curve | None = None


class Series(NamedTuple):
    """A recorded quantity that a scenario can use as it is."""

    name: str
    column: str
    t_us: NDArray[np.int64]
    values: Floats


@dataclass(slots=True)
class Notebook:
    """A topic as it is being found."""

    name: str
    files: tuple[str, ...]
    estimates: list[Estimate] = field(default_factory=list)
    untold: list[Untold] = field(default_factory=list)
    findings: list[str] = field(default_factory=list)
    panels: list[Panel] = field(default_factory=list)
    series: list[Series] = field(default_factory=list)
    curve: Curve | None = None

    def tell(
        self, key: str, unit: str, value: float, half: float, how: str, rows: int, of_vehicle: bool = False
    ) -> bool:
        """Note an estimate with a symmetric interval; False, and noted as untold, where that is endless."""
        return self.tell_band(key, unit, (value, value - half, value + half), how, rows, of_vehicle)

    def tell_band(
        self, key: str, unit: str, band: tuple[float, float, float], how: str, rows: int, of_vehicle: bool = False
    ) -> bool:
        """The same with an interval of any shape: value, low, high."""
        if not all(map(math.isfinite, band)):
            self.miss(key, "more data", f"{rows} rows that leave it open")
            return False
        # Adding nothing turns a negative zero into zero.
        value, low, high = (end + 0.0 for end in band)
        self.estimates.append(Estimate(key, value, low, high, unit, how, rows, self.files, of_vehicle))
        return True

    def tell_fit(self, key: str, unit: str, fit: Fit, index: int = 0, of_vehicle: bool = False) -> bool:
        """Note a parameter of a fit."""
        value, half = float(fit.values[index]), float(fit.half[index])
        return self.tell(key, unit, value, half, fit.how, len(fit.residuals), of_vehicle)

    def miss(self, what: str, needed: str, got: str) -> None:
        """Note what the data do not tell."""
        self.untold.append(Untold(what, needed, got))

    def done(self) -> Topic:
        """The topic as it was found."""
        return Topic(
            self.name,
            tuple(self.estimates),
            tuple(self.untold),
            tuple(self.findings),
            tuple(self.panels),
            tuple(self.series),
            self.curve,
        )


def listed(words: Iterable[str], most: int = 6) -> str:
    """Words in a row, not too many of them."""
    known: Sequence[str] = list(words)
    more = f" and {len(known) - most} more" if len(known) > most else ""
    return ", ".join(known[:most]) + more
