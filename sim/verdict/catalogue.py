"""The catalogue: standard requirements for throttle controllers of this kind, with adjustable limits (row 3)."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import isfinite
from pathlib import Path
from typing import Any, Literal

from pydantic import model_validator

from sim.base.document import Entry, composed, placed
from sim.base.document import checked as checked_model
from sim.base.errors import Fault, InputError, did_you_mean
from sim.verdict.entry import RequirementEntry
from sim.verdict.requirement import Claim, Requirement, names_of
from sim.verdict.units import symbol_of, unit_of
from sim.verdict.words import number, quantity

CATALOGUE = Path(__file__).with_name("catalogue.yaml")
NO_SOURCE = "common practice, no source"

# What an entry says besides a plain requirement.
_ABOUT = ("topic", "basis")
_PLACEHOLDER = re.compile(r"\{(\w*)\}")


class LimitEntry(Entry):
    """A limit that a scenario may override."""

    default: float
    says: str


class Source(Entry):
    """A published text that an entry rests on, in our words, and how far it was checked."""

    name: str
    says: str
    checked: str


class ItemEntry(Entry):
    """A requirement with its topic and the sources it rests on; none is common practice."""

    topic: str
    basis: tuple[str, ...] = ()
    requirement: RequirementEntry

    @model_validator(mode="before")
    @classmethod
    def _flat(cls, data: Any) -> Any:
        # In the file a requirement of the catalogue looks like any other one, with two keys more.
        if not isinstance(data, dict):
            return data
        about = {key: data[key] for key in _ABOUT if key in data}
        return about | {"requirement": {key: value for key, value in data.items() if key not in _ABOUT}}


class CatalogueFile(Entry):
    """The whole file: words and limits that claims share, sources, and the entries."""

    words: Mapping[str, str] = {}
    limits: Mapping[str, LimitEntry] = {}
    sources: Mapping[str, Source] = {}
    entries: tuple[ItemEntry, ...]


@dataclass(frozen=True, slots=True)
class Item:
    """One standard requirement.

    Attributes
    ----------
    says : the sentence, with `{name}` where the value of a limit goes.
    basis : the sources it rests on; none is common practice.
    limits : its adjustable limits with their defaults.
    needs : the columns of a run and limits of a vehicle that it names.
    """

    id: str
    topic: str
    says: str
    basis: tuple[Source, ...]
    claim: Claim
    limits: Mapping[str, float]
    needs: tuple[str, ...]

    def requirement(self, limits: Mapping[str, float]) -> Requirement:
        """The requirement, its sentence told with these values of its limits."""
        return Requirement(
            self.id, _filled(self.says, {name: number(limits[name]) for name in self.limits}), self.claim
        )


@dataclass(frozen=True, slots=True)
class Catalogue:
    """All standard requirements, in the order of the file."""

    items: tuple[Item, ...]
    limits: Mapping[str, LimitEntry]
    sources: tuple[Source, ...]

    def applicable(self, signals: Collection[str], limits: Collection[str]) -> tuple[Item, ...]:
        """The entries of which everything they name is there.

        Parameters
        ----------
        signals : the columns of the run or recording.
        limits : the names of the vehicle's limits.
        """
        known = {*signals, *limits}
        return tuple(item for item in self.items if known.issuperset(item.needs))

    def requirements(
        self,
        signals: Collection[str],
        limits: Mapping[str, float],
        chosen: Literal["all"] | Sequence[str] = "all",
        without: Sequence[str] = (),
        overrides: Mapping[str, float] | None = None,
        key: str = "standard",
    ) -> tuple[tuple[Requirement, ...], Mapping[str, float]]:
        """What a run is held against.

        Parameters
        ----------
        signals, limits : the run's columns and the vehicle's limits.
        chosen : ids, or all that apply.
        without : ids left out.
        overrides : other values of the catalogue's limits, by name.
        key : the key that faults are said to be in.

        Returns
        -------
        requirements, limits
            In the order of the catalogue; the vehicle's limits and those of the requirements.

        Raises
        ------
        InputError
            An id or limit that the catalogue does not have, a limit that is no finite number, a chosen entry that
            names what is not there.
        """
        overrides = overrides or {}
        faults = [*self._unknown(without, f"{key}.without"), *_wrong_limits(overrides, self.limits, f"{key}.limits")]
        apply = self.applicable(signals, limits)
        if chosen != "all":
            faults += self._unknown(chosen, f"{key}.take")
            faults += _lacking(self.items, apply, chosen, f"{key}.take", {*signals, *limits})
        if faults:
            raise InputError(faults)
        taken = [item for item in apply if (chosen == "all" or item.id in chosen) and item.id not in without]
        own = {name: overrides.get(name, value) for item in taken for name, value in item.limits.items()}
        return tuple(item.requirement(own) for item in taken), {**limits, **own}

    def _unknown(self, ids: Sequence[str], key: str) -> Iterator[Fault]:
        known = [item.id for item in self.items]
        for index, name in enumerate(ids):
            if name not in known:
                expected = f"an entry of the catalogue{did_you_mean(name, known)}"
                yield Fault("", f"{key}[{index}]", expected, repr(name))


def _wrong_limits(overrides: Mapping[str, float], known: Mapping[str, LimitEntry], key: str) -> Iterator[Fault]:
    for name, value in overrides.items():
        if name not in known:
            expected = f"a limit of the catalogue{did_you_mean(name, list(known))}"
            yield Fault("", f"{key}.{name}", expected, f"unknown key {name}")
        elif not isfinite(value):
            yield Fault("", f"{key}.{name}", "a finite number", f"{value:g}")


def _lacking(
    items: Iterable[Item], apply: Collection[Item], chosen: Sequence[str], key: str, known: Collection[str]
) -> Iterator[Fault]:
    """Entries that were asked for by name, and name something that is not there."""
    for item in items:
        if item.id in chosen and item not in apply:
            missing = ", ".join(name for name in item.needs if name not in known)
            yield Fault("", f"{key}[{chosen.index(item.id)}]", "an entry that names nothing but what is there", missing)


@lru_cache
def load_catalogue(path: Path = CATALOGUE) -> Catalogue:
    """The catalogue, read and checked.

    Raises
    ------
    InputError
        Every fault of the file.
    """
    data, marks, faults = composed(path, "a catalogue")
    file = checked_model(path, data, marks, CatalogueFile, faults)
    found: list[Fault] = []
    words = _words(file, found)
    items = [item for index, entry in enumerate(file.entries) for item in _item(entry, index, file, words, found)]
    found += _loose_ends(file, items)
    if found:
        raise InputError(placed(found, path, marks))
    return Catalogue(tuple(items), file.limits, tuple(file.sources.values()))


def _words(file: CatalogueFile, found: list[Fault]) -> dict[str, str]:
    """Each word in brackets, those written before it put in."""
    words: dict[str, str] = {}
    for name, text in file.words.items():
        found += _unknown_placeholders(text, words, "a word written before", f"words.{name}")
        words[name] = f"({_filled(text, words)})"
    return words


def _item(
    entry: ItemEntry, index: int, file: CatalogueFile, words: Mapping[str, str], found: list[Fault]
) -> Iterator[Item]:
    """The entry read; nothing where it has a fault."""
    plain, place = entry.requirement, f"entries[{index}]"
    texts = {key: text for key, text in plain if isinstance(text, str) and key not in ("id", "says")}
    faults = [*_unknown_sources(entry.basis, file.sources, f"{place}.basis")]
    for key, text in texts.items():
        faults += _unknown_placeholders(text, words, "a word", f"{place}.{key}")
    if not faults:
        try:
            filled = {key: _filled(text, words) for key, text in texts.items()}
            claim = plain.model_copy(update=filled).requirement("").claim
        except InputError as error:
            # A column inside the text with its words put in would not be one of the file.
            faults += [replace(fault, key=f"{place}.{fault.key.split(',')[0]}") for fault in error.faults]
    found += faults
    if faults:
        return
    names = names_of(claim)
    limits = {name: file.limits[name].default for name in names if name in file.limits}
    found += _unknown_placeholders(plain.says, limits, "a limit of the claim", f"{place}.says")
    yield Item(
        id=plain.id,
        topic=entry.topic,
        says=plain.says,
        basis=tuple(file.sources[name] for name in entry.basis),
        claim=claim,
        limits=limits,
        needs=tuple(name for name in names if name not in file.limits),
    )


def _loose_ends(file: CatalogueFile, items: Sequence[Item]) -> Iterator[Fault]:
    """Ids given twice, and limits that nothing uses: an override of one would change nothing."""
    ids = [entry.requirement.id for entry in file.entries]
    for index, name in enumerate(ids):
        if name in ids[:index]:
            yield Fault("", f"entries[{index}].id", "each id once", name)
    used = {name for item in items for name in item.limits}
    for name in file.limits:
        if name not in used and len(items) == len(ids):
            yield Fault("", f"limits.{name}", "a limit that an entry uses", name)


def _unknown_sources(basis: Sequence[str], known: Collection[str], key: str) -> Iterator[Fault]:
    for index, name in enumerate(basis):
        if name not in known:
            yield Fault("", f"{key}[{index}]", f"one of the sources{did_you_mean(name, list(known))}", repr(name))


def _unknown_placeholders(text: str, known: Collection[str], what: str, key: str) -> Iterator[Fault]:
    for name in _PLACEHOLDER.findall(text):
        if name not in known:
            yield Fault("", key, f"{what}{did_you_mean(name, list(known))}", f"{{{name}}}")


def _filled(text: str, values: Mapping[str, str]) -> str:
    """The text with each `{name}` replaced by its value; an unknown one stays."""
    return _PLACEHOLDER.sub(lambda match: values.get(match[1], match[0]), text)


def tables(catalogue: Catalogue) -> str:
    """The whole catalogue as Markdown: entries by topic, then limits and sources."""
    lines: list[str] = []
    for topic in dict.fromkeys(item.topic for item in catalogue.items):
        lines += ["", f"### {topic[0].upper()}{topic[1:]}", "", *_row("Id", "Sentence", "Limits and defaults", "Basis")]
        lines += ["|---|---|---|---|"]
        for item in catalogue.items:
            if item.topic == topic:
                limits = ", ".join(f"`{name}` {number(value)}" for name, value in item.limits.items())
                basis = "; ".join(source.name for source in item.basis) or NO_SOURCE
                lines += _row(f"`{item.id}`", item.requirement(item.limits).says, limits, basis)
    lines += ["", "## Limits", "", *_row("Limit", "Default", "What"), "|---|---|---|"]
    for name, limit in catalogue.limits.items():
        lines += _row(f"`{name}`", quantity(limit.default, symbol_of(unit_of(name))), limit.says)
    lines += ["", "## Sources", "", *_row("Source", "What it says, in our words", "How far checked"), "|---|---|---|"]
    for source in catalogue.sources:
        lines += _row(source.name, source.says, source.checked)
    return "\n".join(lines[1:])


def _row(*cells: str) -> list[str]:
    return [f"| {' | '.join(cells)} |"]
