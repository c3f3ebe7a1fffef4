"""The parameters that a drive is tried with while they are looked for, and those that it ends with (row 4)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from sim.base.errors import Fault, InputError
from sim.bench.control import load_controller
from sim.bench.run import Bench
from sim.jobs.tune.bed import Settings
from sim.jobs.tune.guard import pairs, standing
from sim.jobs.tune.knobs import HERE, Knobs, reach

# A drive that is slower than this to full is no throttle any more.
RAMP_MS_MAX = 4000
# What is recommended is a multiple of these: one percent of drive, one hundredth of a second.
CAP_GRID, RAMP_GRID_MS = 10, 10
# The lowest cap worth looking for.
CAP_MIN = 50


@dataclass(slots=True)
class Values:
    """Parameters of one controller.

    fixed : stay as told.
    limits : by name, of the vehicle and what it is held against.
    hold_s : the slowest ramp leaves half of it at full.
    relied : whether the supply guard may be what keeps a limit.
    guard : its thresholds; open at first, unless it is relied on.
    ramp_down : the time of the ramp down; as filed at first.
    """

    bench: Bench
    knobs: Knobs
    fixed: Settings
    limits: Mapping[str, float]
    hold_s: float
    relied: bool = False
    guard: Settings = field(default_factory=dict)
    ramp_down: Settings = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Open the guard, if it may be."""
        self.guard = self.standing([self.limits], self.relied)
        self.ramp_down = self._free({self.knobs.ramp_down: self.before.get(self.knobs.ramp_down, 0)})

    @property
    def before(self) -> dict[str, int]:
        """All parameters as filed."""
        return dict(self.bench.controller.params._asdict())

    @property
    def filed(self) -> dict[str, int]:
        """The knobs as filed, every step with the cap of the strongest."""
        before = self.before
        return {name: before[name] for name in self.knobs.names} | self.capped(
            max(map(before.__getitem__, self.knobs.caps))
        )

    def wish(self, cap: str) -> int:
        """What a step is to have: as fixed, else as filed, but between the fixed caps of other steps."""
        if cap in self.fixed:
            return self.fixed[cap]
        place = self.knobs.caps.index(cap)
        low = max((self.fixed.get(name, 0) for name in self.knobs.caps[:place]), default=0)
        high = min((self.fixed.get(name, self.full) for name in self.knobs.caps[place + 1 :]), default=self.full)
        return max(min(self.before[cap], high), low)

    @property
    def top_wish(self) -> int:
        """The most that a step is to have."""
        return max(self.wish(name) for name in self.knobs.caps)

    @property
    def full(self) -> int:
        """The most that every step takes."""
        return min(reach(self.bench.controller, name)[1] for name in self.knobs.caps)

    @property
    def fixed_caps(self) -> dict[str, int]:
        """Caps that stay as told."""
        return {name: value for name, value in self.fixed.items() if name in self.knobs.caps}

    def ramps(self, name: str) -> tuple[int, int]:
        """The quickest and slowest ramp worth looking for."""
        low, high = reach(self.bench.controller, name)
        low, high = max(low, 1), min(high, RAMP_MS_MAX, round(500.0 * self.hold_s))
        # The slowest is one of those that are looked for.
        return low, max(high - high % RAMP_GRID_MS, low)

    @property
    def slowest_ms(self) -> int | None:
        """The slowest ramp up, or as it is fixed; None where the controller has none."""
        name = self.knobs.ramp_up
        return self.fixed.get(name, self.ramps(name)[1]) if name else None

    def at(self, cap: int, ramp_ms: int | None = None, **more: int) -> dict[str, int]:
        """Every step at one cap, so that whichever is in force is driven with it.

        Parameters
        ----------
        ramp_ms : the slowest if left out.
        more : other parameters, which are not fixed.
        """
        ramp = self._ramp_up(self.slowest_ms if ramp_ms is None else ramp_ms)
        return {**self.guard, **self.ramp_down, **ramp, **self._fixed_but_caps(), **self.capped(cap), **more}

    def standing(self, limits: Sequence[Mapping[str, float]], relied: bool) -> dict[str, int]:
        """The guard's thresholds while the drive is looked for; see ``guard.standing``."""
        return standing(self.knobs, self.bench.controller, limits, self.fixed, relied)

    def at_once(self) -> dict[str, int]:
        """The drive as if none of the parameters limited it: at once to full, the guard open."""
        name = self.knobs.ramp_up
        ramp = {name: reach(self.bench.controller, name)[0]} if name else {}
        opened = standing(self.knobs, self.bench.controller, [self.limits], {})
        return {**opened, **ramp, **self.capped(self.full)}

    def capped(self, cap: int) -> dict[str, int]:
        """Every step at one cap."""
        return dict.fromkeys(self.knobs.caps, cap)

    def whole(self, cap: int, ramp_ms: int | None) -> dict[str, int]:
        """Every parameter that is looked for, each step with its own cap, none above `cap` unless it is fixed."""
        caps = {name: self.fixed.get(name, min(self.wish(name), cap)) for name in self.knobs.caps}
        return {**self.guard, **self.ramp_down, **self._ramp_up(ramp_ms), **self._fixed_but_caps(), **caps}

    @property
    def asked(self) -> dict[str, int]:
        """What the fixed values alone ask for: they, the other steps' wishes, and the thresholds that go with them."""
        wishes = {name: self.wish(name) for name in self.knobs.caps}
        with_them = [pair for pair in pairs(self.knobs) if pair.begin in self.fixed or pair.end in self.fixed]
        guard = {name: self.guard[name] for pair in with_them for name in (pair.begin, pair.end)}
        return {**guard, **self.fixed, **wishes}

    def require(self, settings: Settings) -> None:
        """Refuse settings that the controller's own file refuses.

        Raises
        ------
        InputError
        """
        scenario, beside = self.bench.scenario, self.bench.path.parent
        try:
            load_controller(scenario.controller, scenario.tick_us, scenario.params, settings, beside)
        except InputError as error:
            raise InputError(self._told(fault) for fault in error.faults) from None

    def _told(self, fault: Fault) -> Fault:
        """A fault of settings, with the option's name where it is of one that is fixed."""
        name = fault.key.removeprefix("params_set.")
        key = f"--fix {name}" if name in self.fixed else name
        return replace(
            fault, path=HERE, key=key, got=fault.got.partition(" (with params_set")[0], line=None, column=None
        )

    def _ramp_up(self, ramp_ms: int | None) -> dict[str, int]:
        return self._free({self.knobs.ramp_up: ramp_ms}) if ramp_ms is not None else {}

    def _free(self, settings: Settings) -> dict[str, int]:
        """Those that the controller has and that are not fixed."""
        return {name: value for name, value in settings.items() if name and name not in self.fixed}

    def _fixed_but_caps(self) -> dict[str, int]:
        return {name: value for name, value in self.fixed.items() if name not in self.knobs.caps}
