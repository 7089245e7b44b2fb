"""The letters: one a role, as text and as HTML with the same content.

A template holds the whole letter of a role, top to bottom. It renders to blocks
(headings, paragraphs, items), and the blocks are laid out twice: the two parts of a
mail cannot say different things.
"""

from __future__ import annotations

import datetime as dt
import re
import textwrap
from collections.abc import Iterable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Literal

import markupsafe

from riskcast.advice.advise import RISK_ORDER
from riskcast.advice.model import Advice, Role
from riskcast.advice.notes import for_letters, weather_sentences
from riskcast.advice.sentences import Sentences, environment
from riskcast.advice.triage import days_in_care
from riskcast.advice.units import Unit, units
from riskcast.advice.visits import next_planned
from riskcast.risk.assessment import AnimalOutlook, Assessment, Reason, RiskResult
from riskcast.species import Species

if TYPE_CHECKING:
    from riskcast.site import Visits

__all__ = ["Block", "Letter", "letters", "short_text"]

# Line length of plain text mail that no reader breaks again (RFC 5322 §2.1.1).
_WIDTH = 78

# More lines than these are not read in a mail; `riskcast triage` has them all.
_ANIMALS_SHOWN: dict[Role, int] = {"monitor": 8, "coordinator": 3, "rehabilitator": 5}
_SHORT_ANIMALS = 3
_ROWS_SHOWN = 5

_YOUNG = ("juvenile", "nestling")
_ADVICE_CODES = frozenset(
    {
        "better_day",
        "waiting_costs",
        "no_better_day",
        "no_planned_visit",
        "outside_season",
        "planned_beyond_calendar",
        "planned_outside_season",
        "no_day_allowed",
        "no_open_option",
        "in_ground_nests",
        "heads_counted",
        "young_with_mother",
    }
)
_LINK = re.compile(r"https?://[^\s<>\"']*[^\s<>\"'.,;:)\]]")
_NAMED_LINK = re.compile(rf"(?P<words>[^()]+) \((?P<address>{_LINK.pattern})\)")


@dataclass(frozen=True)
class Block:
    """A heading, a paragraph, or a list of items."""

    kind: Literal["heading", "paragraph", "items"]
    text: str = ""
    lines: tuple[str, ...] = ()


@dataclass(frozen=True)
class Letter:
    """A letter to one role, ready to be addressed.

    text : complete by itself, lines of at most 78 characters (links are not broken)
    html : the same content, no pictures, styles inline
    """

    role: Role
    subject: str
    first_line: str
    text: str
    html: str


def letters(
    assessment: Assessment,
    advice: Iterable[Advice],
    visits: Visits,
    sp: Species,
    *,
    rehab_below_g: float | None = None,
) -> tuple[Letter, ...]:
    """One letter for each role that was advised.

    Parameters
    ----------
    assessment, advice : the numbers, and what follows from them
    visits : the planned visits, of which the next is named
    sp : species values that the sentences name
    rehab_below_g : the site's agreed mass for taking an animal in, if it has one

    Raises
    ------
    RiskcastError
        A reason code has no sentence: nothing is left out silently.
    """
    planned = next_planned(visits, assessment.issued_on)
    return tuple(_letter(assessment, one, sp, planned, rehab_below_g) for one in advice)


def short_text(assessment: Assessment, advice: Iterable[Advice]) -> str:
    """What `riskcast run` prints: first line for each role, risks, animals, age of the weather."""
    say = Sentences(assessment)
    lines = [say.macro("short.j2", "title"), ""]
    for one in advice:
        voice = Sentences(assessment, role=one.role, advice=one)
        lines += [voice.macro("short.j2", "role_title", one.role)]
        lines += [*_wrapped(_first_line(voice, one), indent="  "), ""]
    lines.append(say.macro("short.j2", "risks_title"))
    for risk in _in_order(assessment):
        lines += _wrapped(say.macro("short.j2", "risk_line", risk), indent="  ", hang="    ")
    lines += ["", say.macro("short.j2", "animals_title")]
    shown = units(animal for animal in assessment.animals if animal.ranked)[:_SHORT_ANIMALS]
    for unit in shown:
        lines += _wrapped(say.macro("animals.j2", "brief", unit), indent="  ", hang="    ")
    if not shown:
        lines.append("  " + say.macro("short.j2", "no_animals"))
    lines += ["", say.macro("short.j2", "weather_title")]
    for sentence in weather_sentences(assessment):
        lines += _wrapped(sentence, indent="  ", hang="    ")
    return "\n".join(lines) + "\n"


def _first_line(say: Sentences, advice: Advice) -> str:
    """What to do and by when, in two short sentences."""
    return say.macro("first.j2", f"{advice.role}_{advice.action}")


def _letter(
    assessment: Assessment,
    advice: Advice,
    sp: Species,
    planned: dt.date | None,
    rehab_below_g: float | None,
) -> Letter:
    say = Sentences(
        assessment,
        sp,
        role=advice.role,
        advice=advice,
        rehab_below_g=rehab_below_g,
        planned=planned,
        **_contents(assessment, advice, sp),
    )
    subject = say.macro("first.j2", f"subject_{advice.role}_{advice.action}")
    first = _first_line(say, advice)
    blocks = _blocks(say.render(f"{advice.role}.j2"))
    return Letter(
        role=advice.role,
        subject=subject,
        first_line=first,
        text=_as_text(first, blocks),
        html=_as_html(subject, first, blocks),
    )


def _contents(assessment: Assessment, advice: Advice, sp: Species) -> dict[str, Any]:
    """What the template of a letter names besides assessment and advice."""
    leading = assessment.risk(advice.leading_risk) if advice.leading_risk else None
    sure = leading.confidence_reasons if leading else ()
    said = {reason.code for reason in sure}
    everyone = _relevant(assessment, advice.role, sp)
    shown = everyone[: _ANIMALS_SHOWN[advice.role]]
    gone = [unit for unit in everyone if unit.animal.ranked and unit.reserve_may_be_gone]
    set_aside = assessment.records.set_aside
    return {
        "risks": _in_order(assessment, first=leading),
        "own_reasons": _own_reasons(advice),
        "confidence": leading.confidence if leading else None,
        "confidence_reasons": sure,
        "notes": [n for n in for_letters(assessment.weather.notes) if n.code not in said],
        "shown": shown,
        "gone": sum(unit.size for unit in gone),
        "care_days": partial(days_in_care, sp=sp),
        "more_animals": len(everyone) - len(shown),
        "set_aside": set_aside[:_ROWS_SHOWN],
        "more_rows": max(len(set_aside) - _ROWS_SHOWN, 0),
    }


def _in_order(assessment: Assessment, first: RiskResult | None = None) -> tuple[RiskResult, ...]:
    """The leading risk, then the others in their fixed order."""
    return tuple(
        sorted(assessment.risks, key=lambda risk: (risk is not first, RISK_ORDER.index(risk.id)))
    )


def _own_reasons(advice: Advice) -> list[Reason]:
    """Reasons of the advice itself; those of the risks are told with the risks."""
    return [reason for reason in advice.reasons if reason.code in _ADVICE_CODES]


def _relevant(assessment: Assessment, role: Role, sp: Species) -> list[Unit]:
    """What this role hears of, most urgent first: all, or light young that may need a place."""
    everyone = units(assessment.animals)
    if role != "rehabilitator":
        return list(everyone)
    return [unit for unit in everyone if any(_light_young(a, sp) for a in unit.members)]


def _light_young(animal: AnimalOutlook, sp: Species) -> bool:
    return (
        animal.ranked
        and animal.life_stage in _YOUNG
        and animal.share_short is not None
        and animal.share_short >= sp.visits.room_share
    )


def _blocks(rendered: str) -> tuple[Block, ...]:
    """Blocks from a rendered template.

    A line that starts with "# ", "> " or "- " starts a heading, a paragraph or an item;
    any other line goes on with what was started; empty lines mean nothing.
    """
    parts: list[tuple[str, list[str]]] = []
    for line in rendered.splitlines():
        words = line.split()
        if not words:
            continue
        if words[0] in ("#", ">", "-"):
            parts.append((words[0], words[1:]))
        else:
            parts[-1][1].extend(words)
    blocks: list[Block] = []
    for mark, words in parts:
        text = " ".join(words)
        if mark == "-" and blocks and blocks[-1].kind == "items":
            blocks[-1] = Block("items", lines=(*blocks[-1].lines, text))
        elif mark == "-":
            blocks.append(Block("items", lines=(text,)))
        elif text:
            blocks.append(Block("heading" if mark == "#" else "paragraph", text))
    return tuple(blocks)


def _as_text(first: str, blocks: tuple[Block, ...]) -> str:
    lines = _wrapped(first)
    for block in blocks:
        if block.kind == "items":
            for item in block.lines:
                lines += _wrapped(item, indent="- ", hang="  ")
        elif block.kind == "heading":
            lines += ["", "", block.text, "-" * len(block.text)]
        else:
            lines += ["", *_wrapped(block.text)]
    return "\n".join(lines) + "\n"


def _wrapped(text: str, *, indent: str = "", hang: str | None = None) -> list[str]:
    return textwrap.wrap(
        text,
        width=_WIDTH,
        initial_indent=indent,
        subsequent_indent=indent if hang is None else hang,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _as_html(subject: str, first: str, blocks: tuple[Block, ...]) -> str:
    template = environment().get_template("letter.html.j2")
    return template.render(
        language="en", subject=subject, first_line=first, blocks=blocks, linked=_linked
    )


def _linked(text: str) -> markupsafe.Markup:
    """Escaped text in which web addresses can be followed.

    A line of the form "words (address)" becomes the words as a link: so the providers of
    weather want to be named beside their data.
    """
    named = _NAMED_LINK.fullmatch(text)
    if named is not None:
        return _link(named["address"], named["words"])
    out: list[str] = []
    end = 0
    for match in _LINK.finditer(text):
        out.append(str(markupsafe.escape(text[end : match.start()])))
        out.append(_link(match.group(), match.group()))
        end = match.end()
    out.append(str(markupsafe.escape(text[end:])))
    return markupsafe.Markup("".join(out))  # every piece was escaped above


def _link(address: str, words: str) -> markupsafe.Markup:
    link = '<a href="{}" style="color: #0b3d6b">{}</a>'
    return markupsafe.Markup(link).format(address, words)
