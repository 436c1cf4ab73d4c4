"""The commands `fruitvision cluster`, and how others come by a cluster's workers."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fruitvision.commands.options import DetectorName, Farm, SettingsFile
from fruitvision.console import farm_settings_or, farm_store, progress_line, say
from fruitvision.cores import cores_available
from fruitvision.errors import FieldDataError
from fruitvision.fruit.detector import DEFAULT_DETECTOR

if TYPE_CHECKING:
    from fruitvision.batch import Workers
    from fruitvision.cluster import ClusterWorkers

cluster_cli = typer.Typer(
    help="Photos measured on several machines with Dask; needs fruitvision[cluster].\n\n"
    "Whoever reaches the ports of its scheduler and workers may run any program there: keep them "
    "in a network of their own, or use tls:// addresses.\n\n"
    "Example: fruitvision cluster check tcp://office:8786",
    no_args_is_help=True,
)

ClusterAddress = Annotated[
    str | None,
    typer.Option("--cluster", help="Measure on this Dask cluster, such as tcp://office:8786."),
]
PhotosAt = Annotated[
    str | None,
    typer.Option(
        "--photos-at",
        help="With --cluster: where its workers find the photos' folder, such as file:///mnt/walk "
        "or s3://bucket/walk; else the photos are sent to them.",
    ),
]
Address = Annotated[str, typer.Argument(help="Of the scheduler, such as tcp://office:8786.")]


@contextmanager
def who_measures(
    workers: int,
    address: str | None,
    photos_at: str | None,
    *,
    below: Path,
    detector: str = DEFAULT_DETECTOR,
) -> Iterator[Workers]:
    """Processes of this computer, or the cluster that was asked for.

    Raises
    ------
    FieldDataError
        If a place of photos is given without a cluster.
    ClusterError
        If it can't be reached or none of its workers may measure.
    """
    if address is None:
        if photos_at is not None:
            raise FieldDataError(
                "--photos-at tells a cluster where the photos are.",
                fix="Give --cluster too, or leave it away.",
            )
        yield workers
        return
    with _cluster(address, detector, photos_at or "", below) as cluster:
        yield cluster


@contextmanager
def _cluster(
    address: str, detector: str, photos_at: str = "", below: Path = Path()
) -> Iterator[ClusterWorkers]:
    """A cluster; in the end it is said which of its workers were left out."""
    from fruitvision.cluster import Unfit, cluster_at

    with cluster_at(address, detector_name=detector, photos_at=photos_at, below=below) as cluster:
        try:
            yield cluster
        finally:
            for one in cluster.unfit.items():
                typer.echo(str(Unfit(*one)), err=True)


def folder_of(photos: Sequence[Path]) -> Path:
    """The folder that is named, or the nearest one that holds all photos."""
    folders = [str(one.absolute() if one.is_dir() else one.absolute().parent) for one in photos]
    return Path(os.path.commonpath(folders))


@cluster_cli.command("check")
def check_command(address: Address, detector: DetectorName = DEFAULT_DETECTOR) -> int:
    """Which workers of a cluster would measure just as this computer does.

    Example: fruitvision cluster check tcp://office:8786
    """
    from fruitvision.report import many

    with _cluster(address, detector) as cluster:
        typer.echo(f"{many(cluster.threads, 'photo')} can be measured side by side.")
        return 1 if cluster.unfit else 0


@cluster_cli.command("worker")
def worker_command(
    address: Address,
    number: Annotated[
        int, typer.Option("--photos", min=0, help="Measured side by side; 0: one a core.")
    ] = 0,
) -> int:
    """Let this computer measure for a cluster, until Ctrl-C.

    If its scheduler is out of reach for a while, it joins again as soon as it can.

    Example: fruitvision cluster worker tcp://office:8786
    """
    from fruitvision.cluster.keeper import PAUSE_S, keep_workers

    def told(status: int) -> None:
        typer.echo(
            f"The cluster's scheduler is out of reach, or the workers ended (exit status {status})."
            f" They start again in {PAUSE_S:g} s. Ctrl-C ends this.",
            err=True,
        )

    # Whoever ends this by its id ends the workers too.
    signal.signal(signal.SIGTERM, _stop)
    keep_workers(address, number=number or cores_available(), on_end=told)
    return 0


def _stop(*_: object) -> None:
    raise KeyboardInterrupt


@cluster_cli.command("measure")
def measure_command(
    photos_at: Annotated[
        str, typer.Argument(help="Shared folder as its workers see it, or s3://bucket/folder.")
    ],
    address: Annotated[str, typer.Option("--cluster", help="Such as tcp://office:8786.")],
    farm: Farm,
    detector: DetectorName = DEFAULT_DETECTOR,
    settings_file: SettingsFile = None,
) -> int:
    """Measure all photos of a shared place into a farm; the photos stay there.

    A walk that is loaded later finds its photos measured. Stopped in the middle, it goes on where
    it was.

    Example: fruitvision cluster measure s3://walks --cluster tcp://office:8786 --farm larkhill
    """
    from fruitvision.pipeline.shared_photos import measure_shared
    from fruitvision.report import many

    with (
        farm_store(farm) as store,
        _cluster(address, detector) as workers,
        progress_line("measuring") as progress,
    ):
        result = measure_shared(
            photos_at,
            store=store,
            settings=farm_settings_or(store, settings_file),
            workers=workers,
            detector_name=detector,
            on_progress=progress,
        )
    typer.echo(
        f"{many(result.seen, 'photo')}: {result.measured} measured, {result.known} known before, "
        f"{many(result.copies, 'copy', 'copies')}, {len(result.refused)} left out."
    )
    say(map(str, result.refused))
    return 1 if result.refused else 0
