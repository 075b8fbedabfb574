"""Write docs/cli.md from the commands' own help; a test fails when the page is stale."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli import SUMMARIES, cli

PAGE = Path(__file__).with_name("cli.md")


def forget_help(command: click.Command) -> None:
    """Let the help option be made anew: click keeps that of the first call, which may have had other names."""
    if hasattr(command, "_help_option"):
        command._help_option = None


def page() -> str:
    """The page as text."""
    parts = ["# Commands", "", "Made by `python docs/make_cli_page.py` from the commands' own help.", ""]
    names = {"help_option_names": ["-h", "--help"], "max_content_width": 100, "terminal_width": 100}
    with click.Context(cli, info_name="woundwood", **names) as top:
        parts += ["```", cli.get_help(top), "```", ""]
        for name in SUMMARIES:
            command = cli.get_command(top, name)
            if command is None:
                raise LookupError(name)
            forget_help(command)
            with click.Context(command, info_name=name, parent=top, max_content_width=100, terminal_width=100) as inner:
                parts += [f"## woundwood {name}", "", "```", command.get_help(inner), "```", ""]
                for part in command.list_commands(inner) if isinstance(command, click.Group) else ():
                    below = command.get_command(inner, part)
                    if below is None:
                        raise LookupError(part)
                    forget_help(below)
                    with click.Context(
                        below, info_name=part, parent=inner, max_content_width=100, terminal_width=100
                    ) as own:
                        parts += [f"### woundwood {name} {part}", "", "```", below.get_help(own), "```", ""]
    return "\n".join(parts)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
