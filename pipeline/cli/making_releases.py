"""``woundwood model make`` and ``woundwood model card``: releases from training runs."""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

template_option = click.option(
    "--template", type=click.Path(exists=True, dir_okay=False, path_type=Path), default=None, metavar="FILE",
    help="Text of the card, with places for the figures [default: pipeline/learn/templates/card.md].",
)  # fmt: skip
rim_options = (
    click.option("--rim-sd-mm", type=click.FloatRange(min=0, min_open=True), default=None,
                 help="How far its rims are off over all, mm, as measured."),
    click.option("--rim-repeat-sd-mm", type=click.FloatRange(min=0, min_open=True), default=None,
                 help="The same from photo to photo of one wound."),
)  # fmt: skip


@click.command("make")
@click.argument("out", type=click.Path(file_okay=False, path_type=Path))
@click.argument("runs", metavar="RUN [RUN ...]", nargs=-1, required=True,
                type=click.Path(exists=True, file_okay=False, path_type=Path))  # fmt: skip
@click.option("--photos", type=click.Path(exists=True, path_type=Path), required=True,
              help="Photo collection: a folder with manifest.csv, or a packed .npz.")  # fmt: skip
@click.option("--name", default=None, help="Name, as readings will carry it [default: that of the folder OUT].")
@click.option("--work", type=click.Path(file_okay=False, path_type=Path), default=None,
              help="Where long steps leave their results, to be taken again [default: OUT-work].")  # fmt: skip
@click.option("--fit-scenes", default=240, show_default=True, help="Calibration scenes of the training renderer.")
@click.option("--fit-photos", default=240, show_default=True,
              help="Calibration photos of the other renderer; 0: scenes alone, too sure elsewhere.")  # fmt: skip
@click.option("--test-scenes", default=600, show_default=True, help="Scenes that figures are counted on.")
@click.option("--test-photos", default=150, show_default=True, help="Photos of the other renderer for figures.")
@click.option("--baseline-scenes", default=120, show_default=True,
              help="Test scenes that the classical reader reads too; 0 leaves it out altogether.")  # fmt: skip
@click.option("--size", "size_px", default=384, show_default=True, help="Edge of a patch in pixels, a multiple of 32.")
@click.option("--draws", default=300, show_default=True, help="Resamples behind each interval.")
@template_option
@click.option("--extra", type=click.Path(exists=True, dir_okay=False, path_type=Path), default=None,
              help="YAML file of texts for the template (metrics.extra).")  # fmt: skip
@rim_options[0]
@rim_options[1]
@click.option("--weights-only", is_flag=True, help="Only average the weights and say where they lie.")
def make(
    out: Path, runs: tuple[Path, ...], photos: Path, name: str | None, work: Path | None, fit_scenes: int,
    fit_photos: int, test_scenes: int, test_photos: int, baseline_scenes: int, size_px: int, draws: int,
    template: Path | None, extra: Path | None, rim_sd_mm: float | None, rim_repeat_sd_mm: float | None,
    weights_only: bool,
) -> None:  # fmt: skip
    """Make a model folder OUT from one or more training runs. Needs the extra 'train'.

    The weights of all runs are averaged and rounded to 16 bits; probabilities are fitted on scenes of the training
    renderer and on photos of the other one; the figures are counted on cases that were neither trained on nor fitted
    on; the card is written from a template. OUT is replaced at the very end.

    Long steps leave their results in the work folder: call it again and it goes on where it stopped, and a change of
    the template or of the rims costs a minute. On two cores the defaults take about an hour; --fit-scenes 120
    --test-scenes 200 --baseline-scenes 40 a third of that. A machine with a GPU can do the longest step:

    \b
    woundwood model make models/ours-1 runs/a runs/b --photos photos.npz
    python -m pipeline.learn.raw runs/a/model.safetensors runs/b/model.safetensors \\
        --photos photos.npz --out models/ours-1-work --device cuda       (on the GPU; copy the folder back)

    How far its rims are off is measured with the finished network; then say it:

    \b
    woundwood model card models/ours-1 --rim-sd-mm 1.3 --rim-repeat-sd-mm 0.4
    """  # noqa: D301 - click reads the escape
    from pipeline.cli.making_networks import need_torch

    need_torch()
    import torch

    from pipeline.learn import raw, release
    from pipeline.learn.data import open_collection
    from pipeline.learn.train import save_weights

    place = work or out.with_name(out.name + "-work")
    named = name or out.name
    if weights_only:
        net = raw.mean_weights([release.run_weights(run) for run in runs])
        folder = raw.parts_folder(place, net, size_px)
        folder.mkdir(parents=True, exist_ok=True)
        save_weights(net, folder / "model.safetensors", {"name": named}, half=True)
        click.echo(f"{folder / 'model.safetensors'} written.")
        return
    plan = release.Plan(fit_scenes, fit_photos, test_scenes, test_photos, baseline_scenes, size_px, draws)
    collection = open_collection(photos, place, torch.device("cpu"))
    with bars() as tell:
        results = release.make(
            out, runs, collection, plan, name=named, work=place, template=template,
            extra=read_extra(extra) if extra else None,
            rims=(rim_sd_mm, rim_repeat_sd_mm) if rim_sd_mm is not None else None, tell=tell,
        )  # fmt: skip
    for title, lines in (
        ("Held-out scenes", results.scenes), ("Photographs", results.photographs), ("Other renderer", results.drawn),
        ("Calibration", results.fit),
    ):  # fmt: skip
        click.echo(f"\n{title}")
        for line in lines:
            click.echo(line.text)
    click.echo(f"\nCPU time a patch, one thread: median {results.cpu_ms[0]:.1f} ms, least {results.cpu_ms[1]:.1f} ms")
    click.echo(f"{out} written. Its card: {out / 'card.md'}; its worst errors: {out / 'worst.png'}")
    if rim_sd_mm is None:
        click.echo("Next: measure its rims (docs/network.md), then woundwood model card "
                   f"{out} --rim-sd-mm MM --rim-repeat-sd-mm MM")  # fmt: skip


@click.command("card")
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path))
@template_option
@rim_options[0]
@rim_options[1]
def card(folder: Path, template: Path | None, rim_sd_mm: float | None, rim_repeat_sd_mm: float | None) -> None:
    """Write the card of the model FOLDER anew from its figures, and say how far its rims are off.

    For networks made by 'woundwood model make'. The folder is sealed again.
    """
    from pipeline.cli.making_networks import need_torch

    need_torch()
    from pipeline.learn import release

    rims = (rim_sd_mm, rim_repeat_sd_mm) if rim_sd_mm is not None else None
    release.write_card(folder, template=template, rims=rims)
    click.echo(f"{folder / 'card.md'} written.")


def read_extra(file: Path) -> dict[str, Any]:
    """Names and texts of a YAML file.

    Raises
    ------
    UsageError
        If it holds anything else.
    """
    import yaml

    try:
        content = yaml.safe_load(file.read_text(encoding="utf-8"))
    except yaml.YAMLError as error:
        raise UsageError(f"The file {file} is no YAML: {error}.", "Write 'name: text' lines.") from error
    if not isinstance(content, dict) or not all(isinstance(key, str) for key in content):
        raise UsageError(f"The file {file} does not hold names and texts.", "Write 'name: text' lines.")
    return content


@contextmanager
def bars() -> Iterator[Callable[[str, int, int], None]]:
    """Progress bars on a terminal, a line now and then elsewhere."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, disable=not console.is_terminal) as shown:
        tasks: dict[tuple[str, int], Any] = {}

        def tell(step: str, done: int, total: int) -> None:
            if (step, total) not in tasks:
                tasks[step, total] = shown.add_task(step, total=total)
            shown.update(tasks[step, total], completed=done)
            if not console.is_terminal and (done == total or done % 100 < 1):
                console.print(f"{step}: {done} of {total}")

        yield tell
