"""Read a species file: every number with its unit, range, source and status.

`load("hazel_dormouse").torpor.q10` is a float; after `draw` it is an array along the draws.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pydantic

from riskcast.base.errors import ConfigError, Fault, InputMissingError
from riskcast.species.draw import draw_parameters
from riskcast.species.inherit import Inheritance, inherit
from riskcast.species.parameter import Parameter, Source, plain_error

__all__ = ["Group", "Parameter", "Source", "Species", "available", "load", "sources"]

_FOLDER = Path(__file__).parent
_NAMES = ("name", "scientific_name", "vernacular_name")
_HEADER = {"schema", *_NAMES, "correlation", "inherits"}
_SCHEMA = "riskcast.species/1"


class Group:
    """The numbers of one section, by attribute: ``sp.torpor.q10``."""

    __slots__ = ("_name", "_values")
    _name: str
    _values: Mapping[str, Any]

    def __init__(self, name: str, values: Mapping[str, Any]) -> None:
        object.__setattr__(self, "_name", name)
        object.__setattr__(self, "_values", dict(values))

    def __getattr__(self, key: str) -> Any:
        try:
            return self._values[key]
        except KeyError:
            near = difflib.get_close_matches(key, self._values, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise AttributeError(f"species group [{self._name}] has no {key!r}{hint}") from None

    def __setattr__(self, key: str, value: Any) -> None:
        raise AttributeError("a species is read only; override a value in the site file")

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __contains__(self, key: object) -> bool:
        return key in self._values

    def __dir__(self) -> list[str]:
        return sorted(self._values)

    def __repr__(self) -> str:
        return f"Group({self._name}: {', '.join(self._values)})"


@dataclass(frozen=True)
class Species:
    """All numbers of one species, frozen.

    Attributes are the sections of the file (``sp.torpor``, ``sp.reserve`` …).
    `draws` is None for the central values, else the length of every drawn array.
    `borrowed` names the parameters taken or scaled from another species, `borrowed_from` that
    species (its vernacular name). Both are empty where the file stands alone.
    """

    name: str
    scientific_name: str
    vernacular_name: str
    parameters: Mapping[str, Parameter]
    correlation: Mapping[str, Mapping[str, Any]]
    groups: Mapping[str, Group]
    draws: int | None = None
    borrowed: frozenset[str] = frozenset()
    borrowed_from: str = ""

    def __getattr__(self, key: str) -> Group:
        groups: Mapping[str, Group] = self.__dict__.get("groups", {})
        try:
            return groups[key]
        except KeyError:
            raise AttributeError(f"species has no section {key!r}: {sorted(groups)}") from None

    def draw(self, n: int, seed: int) -> Species:
        """The same species with every uncertain value replaced by an array of shape (n,).

        Streams are keyed by the parameter's name: the same name and seed give the same
        array whatever else the file holds, and draw k is the same set in every room.

        Parameters
        ----------
        n : number of draws, a power of two (256 or more for results that are shown)
        seed : any integer
        """
        drawn = draw_parameters(self.parameters, self.correlation, n, seed)
        values = {
            key: drawn.get(key, parameter.value) for key, parameter in self.parameters.items()
        }
        return replace(self, groups=_grouped(values), draws=n)

    def columns(self) -> Species:
        """Drawn arrays as shape (draws, 1), to broadcast against hours or nights."""
        return self._changed(lambda values: values[:, np.newaxis], self.draws)

    def some(self, which: slice) -> Species:
        """Some of the draws."""
        left = None if self.draws is None else len(range(*which.indices(self.draws)))
        return self._changed(lambda values: values[which], left)

    def only(self, *sections: str) -> Species:
        """Some of the sections: less to carry where few numbers are needed often."""
        return replace(self, groups={section: self.groups[section] for section in sections})

    def rows(self, index: npt.NDArray[np.int64]) -> Species:
        """Drawn arrays taken at `index`: a set of numbers per future."""
        return self._changed(lambda values: values.take(index), len(index))

    def _changed(
        self, change: Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float64]], n: int | None
    ) -> Species:
        groups = {
            section: Group(
                section,
                {
                    key: change(value) if isinstance(value, np.ndarray) else value
                    for key, value in ((key, getattr(group, key)) for key in group)
                },
            )
            for section, group in self.groups.items()
        }
        return replace(self, groups=groups, draws=n)

    def with_values(self, **changes: float) -> Species:
        """A copy with some values fixed, for scenarios: ``sp.with_values(torpor__q10=2.0)``."""
        overrides = {
            key.replace("__", "."): {"value": value, "reason": "scenario"}
            for key, value in changes.items()
        }
        return _override(self, overrides, "with_values")


def available() -> list[str]:
    """Names of the species files that ship with riskcast."""
    return sorted(p.stem for p in _FOLDER.glob("*.toml") if p.stem != "sources")


@cache
def sources() -> Mapping[str, Source]:
    """The bibliography: source key → what it is and what was read of it."""
    entries = tomllib.loads((_FOLDER / "sources.toml").read_text("utf-8"))
    return {key: Source(**entry) for key, entry in entries.items()}


def load(
    name_or_path: str | Path = "hazel_dormouse",
    overrides: Mapping[str, Mapping[str, Any]] | None = None,
) -> Species:
    """Load a species by name, or from a file of the same form.

    Parameters
    ----------
    name_or_path : a name of `available()`, or the path of a TOML file
    overrides : ``{"torpor.q10": {"value": 1.9, "reason": "own measurements"}}``, from a site
        file; the status of such a value becomes ``site``

    Raises
    ------
    InputMissingError
        There is no such species file.
    ConfigError
        All faults of the file or of the overrides at once.
    """
    species = _load(_path(name_or_path))
    return _override(species, overrides, "[species.override]") if overrides else species


def _path(name_or_path: str | Path) -> Path:
    shipped = _FOLDER / f"{name_or_path}.toml"
    if shipped.is_file() and str(name_or_path) != "sources":
        return shipped
    path = Path(name_or_path)
    if path.is_file():
        return path
    raise InputMissingError(
        f"no species file {name_or_path!r}: give a path, or one of {', '.join(available())}"
    )


@cache
def _load(path: Path) -> Species:
    return _read(path, ())


def _read(path: Path, heirs: tuple[Path, ...]) -> Species:
    """One file, and the files it inherits from; `heirs` are those that led here."""
    try:
        content = tomllib.loads(path.read_text("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError(faults=[Fault(path.name, "", f"not a TOML file: {error}")]) from None
    faults: list[Fault] = []
    if content.get("schema") != _SCHEMA:
        faults.append(Fault(path.name, "schema", f"has to be {_SCHEMA!r}"))
    faults += [
        Fault(path.name, key, "is missing.", remedy="Name the species.")
        for key in _NAMES
        if not isinstance(content.get(key), str)
    ]
    own, wrong = _own(content, path.name)
    faults += wrong
    parameters: Mapping[str, Parameter] = own
    correlation = content.get("correlation", {})
    borrowed, borrowed_from = frozenset[str](), ""
    if "inherits" in content:
        try:
            how = Inheritance(**content["inherits"])
            parent = _parent(how.parent, path, heirs)
        except (pydantic.ValidationError, TypeError) as error:
            faults.append(Fault(path.name, "[inherits]", plain_error(error)))
        except InputMissingError as error:
            faults.append(Fault(path.name, "[inherits] from", str(error)))
        else:
            parameters, borrowed, wrong = inherit(
                own, parent.parameters, parent.vernacular_name, parent.borrowed, how, path.name
            )
            faults += wrong
            correlation = {**parent.correlation, **correlation}
            borrowed_from = parent.vernacular_name
    if faults:
        raise ConfigError(faults=faults)
    return Species(
        name=content["name"],
        scientific_name=content["scientific_name"],
        vernacular_name=content["vernacular_name"],
        parameters=parameters,
        correlation=correlation,
        groups=_grouped({key: parameter.value for key, parameter in parameters.items()}),
        borrowed=borrowed,
        borrowed_from=borrowed_from,
    )


def _own(content: Mapping[str, Any], file: str) -> tuple[dict[str, Parameter], list[Fault]]:
    """What the file states itself, and what is wrong with it."""
    parameters: dict[str, Parameter] = {}
    faults: list[Fault] = []
    for section, entries in content.items():
        if section in _HEADER:
            continue
        if not isinstance(entries, dict):
            faults.append(Fault(file, section, "is no section and no heading of a species file."))
            continue
        for key, entry in entries.items():
            name = f"{section}.{key}"
            try:
                parameters[name] = Parameter(**entry)
            except (pydantic.ValidationError, TypeError) as error:
                faults.append(Fault(file, f"[{name}]", plain_error(error)))
                continue
            if (source := parameters[name].source) not in sources():
                faults.append(Fault(file, f"[{name}] source", "not in sources.toml", source))
    return parameters, faults


def _parent(name: str, heir: Path, heirs: tuple[Path, ...]) -> Species:
    """The species that `heir` borrows from: one that ships with riskcast, or a file beside it."""
    beside = heir.parent / name
    path = beside if beside.is_file() else _path(name)
    line = (*heirs, heir)
    if path.resolve() in [one.resolve() for one in line]:
        circle = " → ".join(one.name for one in (*line, path))
        remedy = "Let one of them stand alone."
        raise ConfigError(
            faults=[Fault(heir.name, "[inherits] from", f"runs in a circle: {circle}.", "", remedy)]
        )
    return _read(path, line)


def _grouped(values: Mapping[str, Any]) -> dict[str, Group]:
    sections: dict[str, dict[str, Any]] = {}
    for key, value in values.items():
        section, _, name = key.partition(".")
        sections.setdefault(section, {})[name] = value
    return {section: Group(section, entries) for section, entries in sections.items()}


def _override(species: Species, overrides: Mapping[str, Mapping[str, Any]], where: str) -> Species:
    """A site's own value stands alone: it is not drawn, and carries its reason in the note."""
    faults: list[Fault] = []
    parameters = dict(species.parameters)
    borrowed = species.borrowed - overrides.keys()
    for key, change in overrides.items():
        old = parameters.get(key)
        if old is None:
            near = difflib.get_close_matches(key, parameters, n=1)
            remedy = f"Did you mean {near[0]!r}?" if near else ""
            faults.append(Fault("site file", where, "no such parameter.", key, remedy))
            continue
        fields = {"value": change["value"], "distribution": "fixed", "low": None, "high": None}
        fields |= {"status": "site", "note": f"site override: {change['reason']}"}
        value = change["value"]
        outside = not isinstance(value, list) and (
            (old.min is not None and value < old.min) or (old.max is not None and value > old.max)
        )
        if isinstance(value, list) != isinstance(old.value, list) or outside:
            limits = f" between {old.min} and {old.max}" if outside else " of the same shape"
            faults.append(Fault("site file", where, f"{key} needs a value{limits}.", str(value)))
            continue
        parameters[key] = old.model_copy(update=fields)
    if faults:
        raise ConfigError(faults=faults)
    values = {key: parameter.value for key, parameter in parameters.items()}
    return replace(species, parameters=parameters, groups=_grouped(values), borrowed=borrowed)
