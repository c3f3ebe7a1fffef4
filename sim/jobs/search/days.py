"""What a search may change of the day, the build and the chance of a scenario, each read from some numbers (row 4)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol, TypeAlias

from sim.bench.scenario import PackEntry, Scenario, WaterEntry
from sim.jobs.envelope import Age
from sim.jobs.ride import Attitude
from sim.jobs.search.script import Genes, chosen, picked, placed, reached
from sim.world import water

CONTACTS = ("deadman", "mode_button", "kill_cord_sense")
# All of a film's numbers are guesses; these ranges hold what a splash, a drip or a finger may do.
FILM = {
    "mean_wetted_frac": (0.0, 1.0),
    "film_spread_frac": (0.0, 0.5),
    "film_time_s": (0.1, 3.0),
    "splash_rate_hz": (0.0, 5.0),
}
# So many runs of chance: noise, bounce, splashes.
SEEDS = 16
# As many builds have a number at either end of its tolerance: there the worst ones mostly are.
BUILD_END_FRAC = 0.25

Band: TypeAlias = tuple[float, float]
Changed: TypeAlias = dict[str, Any]


class Part(Protocol):
    """Some of a point's numbers, and the keys of a scenario that they stand for."""

    @property
    def size(self) -> int:
        """How many numbers."""

    def read(self, genes: Genes) -> Changed:
        """The keys with their values; a `vehicle_set` is joined with those of other parts."""

    def written(self, scenario: Scenario) -> list[float]:
        """Numbers that a scenario may have been read from; what it does not say is in the middle."""


@dataclass(frozen=True, slots=True)
class Day:
    """Which water, how warm, and where the rider is."""

    waters: tuple[WaterEntry, ...]
    degc: Band
    attitudes: tuple[Attitude, ...]
    size: int = 3

    def read(self, genes: Genes) -> Changed:
        """Water and attitude; in air nothing but held still is possible."""
        around = picked(genes[0], self.waters)
        low, high = known_degc(around.kind)
        warmth = min(max(reached(genes[1], *self.degc), low), high)
        attitude = "held" if around.kind == "air" else picked(genes[2], self.attitudes)
        return {"water": around.model_copy(update={"temperature_degc": warmth}), "attitude": attitude}

    def written(self, scenario: Scenario) -> list[float]:
        """See `Part`."""
        kind = chosen(scenario.water.kind, [around.kind for around in self.waters])
        degc = placed(scenario.water.temperature_degc, *self.degc)
        return [kind, degc, chosen(scenario.attitude, self.attitudes)]


def known_degc(kind: str) -> Band:
    """The temperatures that a kind of water is known for; given water is taken as it is."""
    if kind in water.FRESH:
        return water.FRESH_DEGC
    return water.SALINE_DEGC if kind in water.SALINE else water.AIR_DEGC


@dataclass(frozen=True, slots=True)
class Films:
    """How water comes and goes across each contact."""

    size: int = len(CONTACTS) * len(FILM)

    def read(self, genes: Genes) -> Changed:
        """Numbers of the vehicle's films."""
        places = [(contact, key) for contact in CONTACTS for key in FILM]
        pairs = zip(places, genes, strict=True)
        return {"vehicle_set": {f"{contact}.film.{key}": reached(gene, *FILM[key]) for (contact, key), gene in pairs}}

    def written(self, scenario: Scenario) -> list[float]:
        """See `Part`."""
        given = scenario.vehicle_set
        places = [(f"{contact}.film.{key}", FILM[key]) for contact in CONTACTS for key in FILM]
        return [placed(given[key], *band) if key in given else 0.5 for key, band in places]


@dataclass(frozen=True, slots=True)
class Packs:
    """The pack on the day: charge, warmth, and one of some ages."""

    charge_frac: Band
    degc: Band
    ages: tuple[Age, ...]
    size: int = 3

    def read(self, genes: Genes) -> Changed:
        """The pack, and the spread of its cells at its age where that is given."""
        age = picked(genes[2], self.ages)
        pack = PackEntry(
            charge_frac=reached(genes[0], *self.charge_frac),
            temperature_degc=reached(genes[1], *self.degc),
            resistance_growth_frac=age.resistance_growth_frac,
            capacity_loss_frac=age.capacity_loss_frac,
        )
        return {"pack": pack, "vehicle_set": age.vehicle_set()}

    def written(self, scenario: Scenario) -> list[float]:
        """See `Part`; an age is known by the pack alone."""
        pack = scenario.pack
        worn = (pack.resistance_growth_frac, pack.capacity_loss_frac)
        ages = [(age.resistance_growth_frac, age.capacity_loss_frac) for age in self.ages]
        degc = scenario.water.temperature_degc if pack.temperature_degc is None else pack.temperature_degc
        return [placed(pack.charge_frac, *self.charge_frac), placed(degc, *self.degc), chosen(worn, ages)]


@dataclass(frozen=True, slots=True)
class Builds:
    """Numbers of the vehicle within their tolerances."""

    bands: Mapping[str, Band]

    @property
    def size(self) -> int:
        """One for each."""
        return len(self.bands)

    def read(self, genes: Genes) -> Changed:
        """Numbers of the vehicle."""
        pairs = zip(self.bands.items(), genes, strict=True)
        return {"vehicle_set": {key: reached(gene, *band, BUILD_END_FRAC) for (key, band), gene in pairs}}

    def written(self, scenario: Scenario) -> list[float]:
        """See `Part`."""
        given = scenario.vehicle_set
        return [placed(given[key], *band, BUILD_END_FRAC) if key in given else 0.5 for key, band in self.bands.items()]


@dataclass(frozen=True, slots=True)
class Chance:
    """Another run of noise, bounce and splashes."""

    seed: int
    size: int = 1

    def read(self, genes: Genes) -> Changed:
        """The seed, or one of the next."""
        return {"seed": self.seed + picked(genes[0], range(SEEDS))}

    def written(self, scenario: Scenario) -> list[float]:
        """See `Part`."""
        return [chosen(scenario.seed - self.seed, range(SEEDS))]
