"""The templates that hold every sentence, and the one way to reach them."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import jinja2

from riskcast.advice.model import Advice, Role
from riskcast.advice.units import Unit, units
from riskcast.advice.words import FILTERS, plain, tenths
from riskcast.base.errors import RiskcastError
from riskcast.risk.assessment import AnimalOutlook, Assessment, Reason
from riskcast.species import Species

__all__ = ["Sentences", "environment"]

_FOLDER = Path(__file__).parent / "templates"


@cache
def environment() -> jinja2.Environment:
    """Templates by file name. HTML is escaped; a name that is not there is an error."""
    env = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_FOLDER),
        autoescape=lambda name: name is not None and name.endswith(".html.j2"),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=False,
    )
    env.filters.update(FILTERS)
    return env


class Sentences:
    """The sentences of one assessment, in the voice of one role.

    Parameters
    ----------
    sp : species values that the sentences name; None where they name none
    advice : what the role is advised; None for tables and other texts without one
    more : further values the templates need
    """

    def __init__(
        self,
        assessment: Assessment,
        sp: Species | None = None,
        *,
        role: Role = "monitor",
        advice: Advice | None = None,
        **more: Any,
    ) -> None:
        self._context: dict[str, Any] = {
            "a": assessment,
            "sp": sp,
            "role": role,
            "advice": advice,
            "issued_on": assessment.issued_on,
            "target": assessment.target_mass_g,
            "zone": assessment.site.timezone,
            "say": self.reason,
            "name": self.name,
            "unit_of": self.unit_of,
            "lasts": self.reserve_lasts,
            "assumed": self.assumption,
            **more,
        }
        self._assessment = assessment
        self._role = role
        self._modules: dict[str, Any] = {}

    def macro(self, template: str, name: str, *arguments: Any) -> str:
        """One macro of a template, on one line.

        Raises
        ------
        RiskcastError
            The template has no such macro: a code without a sentence.
        """
        if template not in self._modules:
            self._modules[template] = (
                environment().get_template(template).make_module(self._context)
            )
        found = getattr(self._modules[template], name, None)
        if not callable(found):
            raise RiskcastError(f"{template} has no sentence for {name!r}")
        try:
            return plain(found(*arguments))
        except jinja2.UndefinedError as error:
            raise RiskcastError(f"{template}, {name}: {error.message}") from error

    def render(self, template: str) -> str:
        """A whole template.

        Raises
        ------
        RiskcastError
            Something it names is not there.
        """
        try:
            return environment().get_template(template).render(self._context)
        except jinja2.UndefinedError as error:
            raise RiskcastError(f"{template}: {error.message}") from error

    def reason(self, reason: Reason) -> str:
        """The sentence of a reason code.

        Raises
        ------
        RiskcastError
            The code is unknown, or a number its sentence needs is missing.
        """
        return self.macro("reasons.j2", reason.code, reason.numbers)

    def assumption(self, text: str) -> str:
        """The sentence of something taken for granted in reading the sheet.

        Parameters
        ----------
        text : "code: file and place", as the records have it

        Raises
        ------
        RiskcastError
            The code is unknown.
        """
        code, _, where = text.partition(":")
        return self.macro("sheet.j2", code, plain(where))

    def name(self, unit: Unit) -> str:
        """How this role may hear an animal or a litter called: no box for the rehabilitator."""
        if self._role == "rehabilitator":
            return self.macro("animals.j2", "without_place", unit)
        if unit.size > 1:
            return self.macro("animals.j2", "litter_name", unit)
        return plain(unit.animal.label)

    def unit_of(self, label: str) -> Unit | None:
        """The animal or litter with this label; None where the assessment has none."""
        for unit in units(self._assessment.animals):
            if any(animal.label == label for animal in unit.members):
                return unit
        return None

    def reserve_lasts(self, animal: AnimalOutlook) -> str:
        """Shares of futures, or nothing where the gate forbids them."""
        if not self._assessment.gate.passed or animal.reserve_lasts is None:
            return ""
        return self.macro("animals.j2", "shares", animal.reserve_lasts)

    @staticmethod
    def share(value: float) -> str:
        """A share of the futures: "7 of 10", never 0 or 10 of 10."""
        return tenths(value, of="of")
