"""The command ``woundwood``: parse, call, print.

Commands are loaded when they are called, so that ``--help`` stays quick: each lives in
``pipeline/cli/NAME.py`` as a click command called ``command``.
"""

from __future__ import annotations

import importlib
import logging
import sys

import click

from pipeline import __version__
from pipeline.errors import WoundwoodError

SUMMARIES: dict[str, str] = {
    "demo": "Make the demo grove, run it, and say which file to open.",
    "init": "Make an empty grove: settings, register templates, inbox.",
    "check": "Check a grove's register, settings, disk and network model.",
    "cards": "Print site cards in true size, or check a printed sheet.",
    "round": "Make today's walk: what to photograph, in walking order, retakes first.",
    "run": "Read the photos in the inbox; update alerts.",
    "watch": "Watch the inbox: read photos as they finish arriving, and answer.",
    "look": "Say what is seen in any photographs, with pictures.",
    "timeline": "Show one tree over time, as a table and a picture.",
    "alerts": "List open alerts, the most urgent first.",
    "questions": "List what only a person knows, and take the answers: clocks, cuts, photos without a card.",
    "outbox": "Write what is new among the alerts as a text; send it by e-mail where that is set.",
    "lessons": "Say what the grove teaches: which wounds close how fast, and how trees answer to cuts.",
    "report": "Write the HTML report of a grove.",
    "review": "Judge what was flagged, in the browser.",
    "train": "Train the network, or fine-tune it on reviewed photos.",
    "evaluate": "Print the figures of MODEL on held-out scenes and on photographs of species never trained on.",
    "model": "Say which networks read a grove, take one into use, go back, watch for drift.",
    "verify": "Check that every original is whole and known; link again what has come apart.",
    "space": "Say what uses how much room, and what may be deleted.",
    "export": "Write the grove's tables as CSV and Parquet.",
}
"""Every command and its one line of help, in the order in which a new user meets them."""


class LazyGroup(click.Group):
    """A group whose commands are imported when they are needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of :data:`SUMMARIES`."""
        return list(SUMMARIES)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the module of a command and return its click command."""
        if cmd_name not in SUMMARIES:
            return None
        module = importlib.import_module(f"pipeline.cli.{cmd_name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(SUMMARIES.items()))


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="woundwood")
@click.option("-v", "--verbose", count=True, help="Say more of what is done; twice for everything.")
def cli(verbose: int) -> None:
    """Measure how wounds on living agarwood trees close, from dated photos of numbered sites.

    \b
    New here?      woundwood demo
    A new grove:   woundwood init my-grove      then fill in my-grove/register/*.csv
    Each month:    put the photos into my-grove/inbox, then  woundwood run my-grove
                   woundwood report my-grove

    Photos show signs, never causes: a person decides, and only a laboratory names a disease.
    Exit codes: 0 done, 1 failed, 2 wrong call, 3 done but some photos were refused or stay in the inbox.
    """  # noqa: D301 - click reads the escape
    level = (logging.WARNING, logging.INFO, logging.DEBUG)[min(verbose, 2)]
    logging.basicConfig(level=level, format="%(levelname)s %(name)s: %(message)s", stream=sys.stderr)


def main() -> None:
    """Run the command line; every error raised on purpose becomes two lines and its exit code."""
    try:
        cli(standalone_mode=True)
    except WoundwoodError as error:
        click.echo(f"woundwood: {error.what}", err=True)
        if error.remedy:
            click.echo(f"  {error.remedy}", err=True)
        sys.exit(error.exit_code)
