"""``woundwood review``."""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli import options

if TYPE_CHECKING:
    from pipeline.review import Desk

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)


@click.command("review")
@options.grove_argument
@click.option("--port", type=click.IntRange(1, 65535), default=8321, show_default=True, help="Port to listen on.")
@click.option("--lan", is_flag=True, help="Serve the local network too; needs accounts.")
@click.option("--certificate", type=FILE, default=None, help="TLS certificate (PEM), with its chain.")
@click.option("--key", type=FILE, default=None, help="Private key of the certificate (PEM).")
@click.option("--as", "name", default=None, metavar="NAME", help="In whose name, without accounts [default: yours].")
@click.option("--add-user", default=None, metavar="NAME", help="Make an account; asks for the password.")
@click.option("--role", type=click.Choice(["reader", "reviewer", "steward"]), default="reviewer", show_default=True,
              help="What the new account may do: look, answer, or also make accounts.")  # fmt: skip
@click.option("--check-log", is_flag=True, help="Check that the log of what people did was not changed.")
@click.option("--expect", default="", metavar="DIGEST", help="With --check-log: a digest noted earlier.")
@click.option("--export-labels", type=click.Path(file_okay=False, path_type=Path), default=None, metavar="FOLDER",
              help="Write the reviewed cases as COCO labels with their pictures, and stop.")  # fmt: skip
@click.option("--label-next", type=click.IntRange(1), default=None, metavar="N",
              help="List the N cases in which a label teaches the network most, and stop.")  # fmt: skip
@click.option("--import-labels", type=FILE, default=None, metavar="FILE", help="Take labels from a COCO file.")
@options.config_option
@options.set_option
def command(
    grove_folder: Path, port: int, lan: bool, certificate: Path | None, key: Path | None, name: str | None,
    add_user: str | None, role: str, check_log: bool, expect: str, export_labels: Path | None,
    label_next: int | None, import_labels: Path | None, configs: tuple[str, ...], assignments: tuple[str, ...],
) -> None:  # fmt: skip
    """Judge what was flagged, in the browser.

    Without accounts the page is for this machine only, and opens with the link that is printed. With --lan others
    reach it, sign in, and everything they do stands in their name in a log that the program cannot rewrite.

    Labels are written and read in the COCO format (--export-labels, --import-labels).
    """
    from pipeline import store
    from pipeline.review import Desk

    if (certificate is None) != (key is None):
        raise click.UsageError("A certificate and its key come together: --certificate FILE --key FILE.")
    grove = options.open_grove(grove_folder, configs, assignments)
    with store.open_store(grove.database) as memory:
        desk = Desk(grove, memory)
        if add_user is not None:
            _add(desk, add_user, role)
        elif check_log:
            _check(desk, expect)
        elif export_labels is not None:
            _export(desk, export_labels)
        elif label_next is not None:
            _label_next(desk, label_next)
        elif import_labels is not None:
            _import(desk, import_labels, name or getpass.getuser())
        else:
            _serve(desk, name or getpass.getuser(), port, lan, certificate, key)


def _add(desk: Desk, name: str, role: str) -> None:
    from pipeline.review.accounts import Passwords, Role, make_account

    least = desk.settings.review.min_password_length
    password = click.prompt(
        f"Password of {name} (at least {least} characters)", hide_input=True, confirmation_prompt=True
    )
    by = f"{getpass.getuser()} (command line)"
    made = make_account(desk.store, Passwords(), name, Role(role), password, least, by, desk.now())
    click.echo(f"{made.name} may sign in, as {made.role}.")


def _check(desk: Desk, expect: str) -> None:
    found = desk.store.check_log(expect)
    if found.broken_at is not None:
        raise click.ClickException(f"The log is broken at line {found.broken_at}: it was changed from outside.")
    if not found.found_expected:
        raise click.ClickException("The log does not hold the digest that was noted: lines were cut off or replaced.")
    click.echo(f"{found.lines} lines, the chain is whole.")
    click.echo(f"Last digest: {found.head}")
    click.echo("Write it down elsewhere; --check-log --expect DIGEST finds out later whether lines were cut off.")


def _export(desk: Desk, folder: Path) -> None:
    from pipeline.review.coco import export_labels

    images, annotations = export_labels(desk, folder)
    click.echo(f"Wrote {images} patches with {annotations} outlines to {folder}.")


def _label_next(desk: Desk, count: int) -> None:
    from pipeline.cli import output
    from pipeline.review.gain import GainOrder
    from pipeline.review.queue import Queue

    cases = Queue(desk).cases()
    found = GainOrder(desk).worth(cases, count)
    output.emit_table("Label these next", ("site", "tree", "photo of", "doubt, 0 to 1", "most unsure of"), (
        (w.site, cases[w.site].tree, cases[w.site].visit_on, f"{w.doubt:.2f}", w.unsure_of) for w in found
    ))  # fmt: skip
    click.echo("In the review page: order 'where a label teaches most'.")


def _import(desk: Desk, file: Path, name: str) -> None:
    from pipeline.review.coco import import_labels

    taken, left = import_labels(desk, file, name)
    click.echo(
        f"Took the labels of {taken} photos in the name of {name}; {left} are not of this grove or hold nothing."
    )


def _serve(desk: Desk, name: str, port: int, lan: bool, certificate: Path | None, key: Path | None) -> None:
    from pipeline.review import serve
    from pipeline.review.app import Rooms, hosts_for

    people = desk.store.accounts()
    rooms = Rooms(desk, tls=certificate is not None, local_name="" if people or lan else name)
    scheme = "https" if certificate is not None else "http"
    if people or lan:
        click.echo(f"Sign in at {scheme}://127.0.0.1:{port}/")
    else:
        click.echo(f"Open this link, in the name of {name}:\n  {scheme}://127.0.0.1:{port}/enter?key={rooms.start_key}")
    if lan:
        others = [host for host in hosts_for(True) if host not in ("127.0.0.1", "localhost", "::1")]
        click.echo(f"On the local network: {', '.join(f'{scheme}://{host}:{port}/' for host in others)}")
        click.echo("Warning: everybody on this network can reach this page now and try to sign in.", err=True)
        if certificate is None:
            click.echo("Warning: without --certificate passwords and photos travel in the clear.", err=True)
    click.echo("Stop with Ctrl-C.")
    serve(rooms, port=port, lan=lan, certificate=certificate, key=key)
