"""What should each person do, and by when? Advice from the numbers; templates say it."""

from __future__ import annotations

from riskcast.advice.advise import advise
from riskcast.advice.letters import Letter, letters, short_text
from riskcast.advice.model import LEVELS, ROLES, Action, Advice, Level, PreviousLevel, Role
from riskcast.advice.notes import (
    keeper_notes,
    note_sentences,
    sheet_sentences,
    weather_sentences,
)
from riskcast.advice.tables import Cell, Table, with_notes
from riskcast.advice.triage import FoundAnimal, triage_found, triage_table, visits_table
from riskcast.advice.units import Unit, units
from riskcast.advice.visits import Candidate, VisitChoice, candidate_days, choose_visit

__all__ = [
    "LEVELS",
    "ROLES",
    "Action",
    "Advice",
    "Candidate",
    "Cell",
    "FoundAnimal",
    "Letter",
    "Level",
    "PreviousLevel",
    "Role",
    "Table",
    "Unit",
    "VisitChoice",
    "advise",
    "candidate_days",
    "choose_visit",
    "keeper_notes",
    "letters",
    "note_sentences",
    "sheet_sentences",
    "short_text",
    "triage_found",
    "triage_table",
    "units",
    "visits_table",
    "weather_sentences",
    "with_notes",
]
