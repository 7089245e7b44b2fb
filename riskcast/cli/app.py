"""The command ``riskcast`` and its subcommands."""

from __future__ import annotations

import contextlib
import io
import sys
import warnings
from typing import NoReturn

import click

from riskcast import __version__
from riskcast.cli.check import check
from riskcast.cli.console import colour_wanted
from riskcast.cli.endings import Commands, debugging
from riskcast.cli.explain import explain
from riskcast.cli.fetch import fetch
from riskcast.cli.new import new
from riskcast.cli.run import run
from riskcast.cli.tables import triage, visits

__all__ = ["app", "main"]

_EPILOG = """\b
Example:
  riskcast new my-wood
  riskcast fetch my-wood/site.toml
  riskcast check my-wood/site.toml
  riskcast run my-wood/site.toml

\b
Exit codes: 0 done, also for a high risk; 1 --fail-on reached; 2 wrong call;
65 no usable weights; 66 a file is missing; 69 no usable weather; 70 a fault
of riskcast; 75 mail will be tried again, or the disk is full; 78 faults in
the site file; 130 stopped by you.

Handling and disturbing wild animals needs a licence. Hibernating animals are left
alone. Sick or underweight ones go to a vet or an experienced rehabilitator.
"""


@click.group(
    cls=Commands,
    epilog=_EPILOG,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 90},
)
@click.version_option(__version__, prog_name="riskcast")
@click.pass_context
def app(ctx: click.Context) -> None:
    """Hibernation risk of the hazel dormouse, from open weather data and your weights.

    Says to the monitor, the coordinator and the rehabilitator of a woodland what to do,
    and by when. Mail goes out only where --send is given.
    """
    ctx.color = colour_wanted()


for _command in (new, fetch, check, run, visits, triage, explain):
    app.add_command(_command)


def main() -> NoReturn:
    """Entry point of the installed command."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that has no degree sign shows a question mark; it is no reason to stop.
        if isinstance(stream, io.TextIOWrapper):
            with contextlib.suppress(ValueError, OSError):
                stream.reconfigure(errors="replace")
    if not sys.warnoptions and not debugging():
        # Notes from libraries to their programmers, not to a keeper.
        warnings.simplefilter("ignore")
    app(prog_name="riskcast")
    raise AssertionError("click ends the process")
