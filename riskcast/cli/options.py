"""Arguments and options that several commands share."""

from __future__ import annotations

import datetime as dt
import functools
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from riskcast.cli.console import Console

__all__ = [
    "as_of_option",
    "console_options",
    "offline_option",
    "over_everywhere",
    "read_as_of",
    "read_near",
    "site_argument",
]

Function = TypeVar("Function", bound=Callable[..., Any])

# Where the day ends last: twelve hours behind UTC.
_LAST_ZONE = dt.timezone(dt.timedelta(hours=-12))


def read_as_of(
    ctx: click.Context, param: click.Parameter, value: str | None
) -> dt.date | dt.datetime | None:
    """A day (meaning its end, at the site), or a moment with its offset."""
    if value is None:
        return None
    moment: dt.datetime | None
    try:
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", value):
            return dt.date.fromisoformat(value)
        moment = dt.datetime.fromisoformat(value)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise click.BadParameter(
            f"{value!r} is no day and no moment. Write a day as 2025-10-27, or a moment "
            "with its offset as 2025-10-27T08:00+00:00."
        )
    return moment


def read_near(
    ctx: click.Context, param: click.Parameter, value: str | None
) -> tuple[float, float] | None:
    """A place as "latitude,longitude" in degrees."""
    if value is None:
        return None
    try:
        latitude, longitude = (float(part) for part in value.split(","))
    except ValueError:
        raise click.BadParameter(
            f"{value!r} is no place. Write degrees with decimal points, latitude first: "
            "--near 50.0,-4.0"
        ) from None
    if not -90 <= latitude <= 90 or not -180 <= longitude <= 180:
        raise click.BadParameter(
            f"{value!r} is not on the globe: latitude lies between -90 and 90, longitude "
            "between -180 and 180."
        )
    return latitude, longitude


def over_everywhere(as_of: dt.date | dt.datetime) -> bool:
    """Is this day or moment past in every time zone? Certain without reading the site file."""
    now = dt.datetime.now(dt.UTC)
    if isinstance(as_of, dt.datetime):
        return as_of < now
    return dt.datetime.combine(as_of, dt.time.max, tzinfo=_LAST_ZONE) < now


def site_argument(*, required: bool = True) -> Callable[[Function], Function]:
    metavar = "SITE.toml" if required else "[SITE.toml]"
    return click.argument(
        "site_file", metavar=metavar, type=click.Path(path_type=Path), required=required
    )


def as_of_option(command: Function) -> Function:
    return click.option(
        "--as-of",
        callback=read_as_of,
        metavar="DATE",
        help="Speak from this day (its end, at the site) or moment; nothing dated or issued "
        "later is read. Default: now.",
    )(command)


def offline_option(command: Function) -> Function:
    return click.option(
        "--offline",
        is_flag=True,
        help="Never touch the network: weather from files, and as last fetched.",
    )(command)


def console_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """``--verbose`` and ``--quiet``, handed to the command as one `console`."""

    @click.option("-v", "--verbose", is_flag=True, help="Tell each step, also into a file.")
    @click.option("-q", "--quiet", is_flag=True, help="Tell no steps.")
    @functools.wraps(command)
    def with_console(*args: Any, verbose: bool, quiet: bool, **kwargs: Any) -> Any:
        if verbose and quiet:
            raise click.UsageError("--verbose and --quiet exclude each other.")
        return command(*args, console=Console(verbose=verbose, quiet=quiet), **kwargs)

    return with_console
