"""``riskcast check``: the real way, without sending."""

from __future__ import annotations

import datetime as dt
import json
import textwrap
from pathlib import Path

import click

from riskcast.cli.console import Console
from riskcast.cli.options import as_of_option, console_options, offline_option, site_argument

__all__ = ["check"]

_EPILOG = """\b
Example:
  riskcast check my-wood/site.toml
  riskcast check my-wood/site.toml --offline

\b
--json prints lines, each with ok (true or false), topic and text, and
exit_code: that of the first step that failed, else 0. `riskcast -h`
lists the codes.
"""


@click.command(epilog=_EPILOG, short_help="Try everything without sending.")
@site_argument()
@as_of_option
@offline_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@console_options
@click.pass_context
def check(
    ctx: click.Context,
    site_file: Path,
    as_of: dt.date | None,
    offline: bool,
    as_json: bool,
    console: Console,
) -> None:
    """Try the site file, the weights, the weather and the mail server; send nothing.

    Of each source of weather it says: reached or why not, age, distance of its grid cell, gap
    in height, hours present, licence.

    Run it after every change of the site file, and once before the daily job is set up.
    """
    console.progress(f"riskcast check {site_file}")
    from riskcast import pipeline

    report = pipeline.check(site_file, as_of=as_of, offline=offline, progress=console.step)
    if as_json:
        lines = [{"ok": line.ok, "topic": line.topic, "text": line.text} for line in report.lines]
        document = {"lines": lines, "exit_code": report.exit_code}
        click.echo(json.dumps(document, ensure_ascii=False, indent=2))
    else:
        width = max((len(line.topic) for line in report.lines), default=0)
        for line in report.lines:
            word = "ok   " if line.ok else "FAULT"
            first, *rest = line.text.splitlines() or [""]
            head = click.style(word, bold=not line.ok)
            click.echo(f"{head}  {line.topic.ljust(width)}  {first}".rstrip())
            if rest:
                click.echo(textwrap.indent("\n".join(rest), " " * (width + 9)))
    ctx.exit(report.exit_code)
