"""What is told as one: a single animal, or the young of a litter in one box check."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from riskcast.risk.assessment import AnimalOutlook

__all__ = ["Unit", "reserve_may_be_gone", "unit_key", "units"]


@dataclass(frozen=True)
class Unit:
    """An animal, or a litter of one box and one check.

    members : the most urgent first; its numbers stand for all of them
    """

    members: tuple[AnimalOutlook, ...]

    @property
    def animal(self) -> AnimalOutlook:
        """The member whose numbers are told."""
        return self.members[0]

    @property
    def size(self) -> int:
        return len(self.members)

    @property
    def lightest_g(self) -> float:
        return min(animal.body_mass_g for animal in self.members)

    @property
    def heaviest_g(self) -> float:
        return max(animal.body_mass_g for animal in self.members)

    @property
    def reserve_may_be_gone(self) -> bool:
        return reserve_may_be_gone(self.animal)


def units(animals: Iterable[AnimalOutlook]) -> tuple[Unit, ...]:
    """The animals with each litter as one, the most urgent first.

    Animals whose reserve may be gone if they found no food come first, by days to spare
    with food: how long ago it may have ended helps nobody choose. The others follow by days
    to spare without food, then with; what is not known last. Animals that are not ranked
    end the list, the lightest first.
    """
    together: dict[str, list[AnimalOutlook]] = {}
    for animal in animals:
        together.setdefault(unit_key(animal), []).append(animal)
    found = (Unit(tuple(sorted(members, key=_urgency))) for members in together.values())
    return tuple(sorted(found, key=lambda unit: _urgency(unit.animal)))


def unit_key(animal: AnimalOutlook) -> str:
    """The same for the young of a litter weighed in one box on one day."""
    if animal.litter and animal.box:
        return f"litter|{animal.box}|{animal.event_date}"
    return f"animal|{animal.key}"


def reserve_may_be_gone(animal: AnimalOutlook) -> bool:
    """Has the reserve ended before the issue in half of the futures, had it found no food?"""
    days = animal.days_in_hand["none"].value
    return days is not None and days < 0


def _urgency(animal: AnimalOutlook) -> tuple[bool, bool, float, float, float, str]:
    spare = [animal.days_to_spare[feeding].value for feeding in ("none", "found")]
    none, found = (math.inf if value is None else value for value in spare)
    gone = reserve_may_be_gone(animal)
    first, second = (found, none) if gone else (none, found)
    return (not animal.ranked, not gone, first, second, animal.body_mass_g, animal.key)
