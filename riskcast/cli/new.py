"""``riskcast new``: a folder to start from."""

from __future__ import annotations

import json
import re
import shutil
import string
import sys
import unicodedata
import zoneinfo
from pathlib import Path

import click

from riskcast.base.files import write_whole
from riskcast.cli.console import Console
from riskcast.cli.options import console_options

__all__ = ["new"]

_TEMPLATE = Path(__file__).parent / "templates" / "site.toml"

_SITE, _SHEET = "site.toml", "weights.xlsx"

# How a key reads that the keeper still has to fill in.
_EXAMPLES = {"latitude": "50.0", "longitude": "-4.0", "elevation_m": "120"}
_REMARKS = {
    "id": "a to z, 0 to 9, dashes; names the folder of the results",
    "name": "as people should read it",
    "latitude": "degrees, north of the equator above zero",
    "longitude": "degrees, west of Greenwich below zero",
    "elevation_m": "metres above the sea",
    "timezone": "of the clock on the wall there",
}

_EPILOG = """\b
Example:
  riskcast new my-wood
  riskcast new my-wood --name "My Wood" --latitude 50.0 --longitude -4.0 \\
      --elevation 120 --timezone Europe/London
"""


def _zone(ctx: click.Context, param: click.Parameter, value: str | None) -> str | None:
    if value is not None and value not in zoneinfo.available_timezones():
        raise click.BadParameter(f'{value!r} is no IANA time zone, such as "Europe/London".')
    return value


def _one_line(ctx: click.Context, param: click.Parameter, value: str | None) -> str | None:
    if value is not None and (not value.strip() or not value.isprintable()):
        raise click.BadParameter("expected a name on one line.")
    return value


@click.command(epilog=_EPILOG, short_help="A folder to start from: site.toml and weights.xlsx.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--name", callback=_one_line, help="Name of the site. Default: the folder's.")
@click.option("--latitude", type=click.FloatRange(-90, 90), help="Degrees north.")
@click.option("--longitude", type=click.FloatRange(-180, 180), help="Degrees east.")
@click.option("--elevation", type=click.FloatRange(-430, 8850), help="Metres above the sea.")
@click.option("--timezone", callback=_zone, metavar="ZONE", help='As "Europe/London".')
@console_options
def new(
    folder: Path,
    name: str | None,
    latitude: float | None,
    longitude: float | None,
    elevation: float | None,
    timezone: str | None,
    console: Console,
) -> None:
    """Write a commented site.toml and a blank weights.xlsx into FOLDER.

    What is not given here is left to be filled in. Files that are there are never touched.
    """
    _refuse_to_overwrite(folder)
    console.progress(f"riskcast new {folder}")
    place = {"latitude": latitude, "longitude": longitude, "elevation_m": elevation}
    text = _site_text(folder.absolute(), name, place, timezone)
    from riskcast.animals import write_blank_sheet

    write_blank_sheet(folder / _SHEET)
    try:
        write_whole(folder / _SITE, text)
    except OSError:
        # Half a start would be refused as "there already" the next time.
        (folder / _SHEET).unlink()
        raise
    missing = [key for key, value in {**place, "timezone": timezone}.items() if value is None]
    click.echo(_next_steps(folder, missing))


def _refuse_to_overwrite(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        raise click.UsageError(f"{folder} is a file. Nothing was written; name another folder.")
    there = [str(folder / name) for name in (_SITE, _SHEET) if (folder / name).exists()]
    if there:
        verb = "is" if len(there) == 1 else "are"
        raise click.UsageError(
            f"{' and '.join(there)} {verb} there already. Nothing was written; name another "
            "folder, or move the old file away."
        )


def _site_text(
    folder: Path, name: str | None, place: dict[str, float | None], timezone: str | None
) -> str:
    title = name or folder.name or "My site"
    values = {key: _line(key, value, _EXAMPLES[key]) for key, value in place.items()}
    values["timezone"] = _line("timezone", timezone, '"Europe/London"')
    values["id"] = _line("id", _slug(title), "")
    values["name"] = _line("name", title, "")
    template = string.Template(_TEMPLATE.read_text("utf-8"))
    return template.substitute(values, folder=folder, command=_command())


def _command() -> str:
    """The whole name of this command: a daily job does not know where programs are."""
    beside = Path(sys.executable).with_name("riskcast")
    return str(beside) if beside.exists() else shutil.which("riskcast") or "riskcast"


def _line(key: str, value: float | str | None, example: str) -> str:
    """``latitude = 50.0   # degrees …``, switched off where the keeper has to fill it in."""
    if value is None:
        return f"# {key} = {example}".ljust(37) + f"# FILL IN: {_REMARKS[key]}"
    written = _toml(value) if isinstance(value, str) else repr(value)
    return f"{key} = {written}".ljust(37) + f"# {_REMARKS[key]}"


def _toml(text: str) -> str:
    # For one printable line, a JSON string is a TOML string.
    return json.dumps(text, ensure_ascii=False)


def _slug(title: str) -> str:
    plain = unicodedata.normalize("NFKD", title.casefold()).encode("ascii", "ignore").decode()
    slug = re.sub(r"[^a-z0-9]+", "-", plain)[:64].strip("-")
    return slug or "my-site"


def _next_steps(folder: Path, missing: list[str]) -> str:
    steps = [
        f"Fill in {', '.join(missing)} in {folder / _SITE}." if missing else "",
        f"Enter your weights in {folder / _SHEET}, one row an animal.",
        f"Fetch the weather: riskcast fetch {folder / _SITE}",
        f"Try it all: riskcast check {folder / _SITE}",
    ]
    numbered = [f"  {i}. {step}" for i, step in enumerate(filter(None, steps), start=1)]
    made = f"Wrote {folder / _SITE} and {folder / _SHEET}. Next:"
    return "\n".join([made, *numbered])
