"""Read a site file: all its faults at once, each with key, line and the way out."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path
from typing import Any

import pydantic

from riskcast.base.errors import ConfigError, Fault, InputMissingError
from riskcast.site.lines import line_of, lines_of_keys
from riskcast.site.model import Site
from riskcast.site.words import as_fault

__all__ = ["load_site"]

_MISSING_FILE = "missing_file"


def load_site(path: str | Path) -> Site:
    """The site a TOML file describes, with every file it names found.

    Parameters
    ----------
    path : the site file; paths inside it are relative to its folder

    Raises
    ------
    ConfigError
        The file is not TOML, or has faults: all of them, with missing files among them.
    InputMissingError
        There is no such site file, or nothing is wrong but that files it names are missing.
    """
    file = Path(os.path.abspath(path))  # noqa: PTH100  (resolve would follow links)
    text = _read(file)
    content = _parse(text, file.name)
    try:
        return Site.model_validate(
            content, by_alias=True, by_name=False, context={"path": file, "folder": file.parent}
        )
    except pydantic.ValidationError as error:
        found = error.errors(include_url=False)
    lines = lines_of_keys(text)
    found.sort(key=lambda item: line_of(item["loc"], lines))
    faults = [as_fault(item, content, lines, file.name) for item in found]
    only_files = all(item["type"] == _MISSING_FILE for item in found)
    if only_files:
        raise InputMissingError("Files that the site file names are not there.", faults)
    raise ConfigError("The site file cannot be used as it is.", faults)


def _read(file: Path) -> str:
    try:
        # Editors on Windows begin UTF-8 files with a mark that TOML does not allow.
        return file.read_text("utf-8-sig")
    except FileNotFoundError:
        raise InputMissingError(
            faults=[
                Fault(
                    str(file),
                    "",
                    "no such site file.",
                    remedy="riskcast new FOLDER writes one to start from.",
                )
            ]
        ) from None
    except IsADirectoryError:
        remedy = f"Name the file in it: {file.name}/site.toml"
        raise InputMissingError(
            faults=[Fault(str(file), "", "is a folder, not a site file.", remedy=remedy)]
        ) from None
    except OSError as error:
        raise InputMissingError(
            faults=[Fault(str(file), "", f"cannot be read: {error.strerror}.")]
        ) from None
    except UnicodeDecodeError:
        raise ConfigError(
            faults=[Fault(file.name, "", "is not UTF-8 text.", remedy="Save it as UTF-8.")]
        ) from None


def _parse(text: str, name: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        fault = _syntax_fault(str(error), text, name)
    raise ConfigError("The site file is not readable as TOML.", [fault])


def _syntax_fault(message: str, text: str, name: str) -> Fault:
    """Never quotes the line: it may be the one with the password."""
    at = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)", message)
    problem = message.replace(at.group(), "") if at else message
    number = int(at.group(1)) if at and at.group(1) else None
    rows = text.splitlines()
    row = rows[number - 1] if number and number <= len(rows) else ""
    where = f"line {number}" if number else "end of the file"
    return Fault(name, where, f"{problem}.", remedy=_syntax_remedy(row))


def _syntax_remedy(row: str) -> str:
    if "\\" in row:
        return "Write paths with / or in single quotes, as in 'C:\\site\\weights.xlsx'."
    if re.search(r"=\s*-?\d+,\d+\s*(#.*)?$", row):
        return "Write decimals with a point, as in 51.5."
    if re.search(r"=\s*[A-Za-z]", row):
        return 'Put texts in double quotes, as in name = "Alder Hanger".'
    return "Each line is key = value or [section]; texts stand in double quotes."
