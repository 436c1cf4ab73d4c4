"""Batches, made on the accelerator in a thread of their own while the last one is learned."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import nullcontext
from queue import Queue
from threading import Event, Thread

import numpy as np
import torch
from torch import Tensor

from fruitvision.train.album import Held
from fruitvision.train.augment import Chance, augment
from fruitvision.train.config import TrainingConfig
from fruitvision.train.crops import Crops, choose_window, cut
from fruitvision.train.targets import Targets, make_targets

# Batches that wait: enough that none is waited for. Our choice.
AHEAD = 3


def make_batch(
    albums: Sequence[Sequence[Held]], config: TrainingConfig, *, step: int, steps: int
) -> tuple[Crops, Targets]:
    """The batch of a step of so many: the same for the same seed, whatever came before."""
    device = albums[0][0].boxes.device
    rng = np.random.default_rng([config.seed, step])
    weights = np.array([choice.weight_at(step / steps) for choice in config.packs])
    share = weights / weights.sum()
    held = []
    for album in rng.choice(len(albums), size=config.batch, p=share).tolist():
        held.append(albums[album][int(rng.integers(len(albums[album])))])
    windows = [choose_window(one, rng, config) for one in held]
    crops = cut(held, windows, config.crop_px)
    crops = augment(
        crops,
        Chance(int(rng.integers(2**31)), device),
        config.coarse,
        plain_share=config.plain_share_at(step / steps),
    )
    return crops, make_targets(crops)


def first_pictures(
    albums: Sequence[Sequence[Held]], config: TrainingConfig, *, batches: int
) -> Iterator[Tensor]:
    """(B, 3, S, S) of the first steps of a training, 0 to 255."""
    for step in range(batches):
        yield make_batch(albums, config, step=step, steps=max(config.steps, batches))[0].pictures


class Feeder:
    """Batches of the steps from `first` on of a training of `steps`, in order."""

    def __init__(
        self,
        albums: Sequence[Sequence[Held]],
        config: TrainingConfig,
        *,
        first: int,
        steps: int,
    ) -> None:
        self._queue: Queue[tuple[Crops, Targets, torch.cuda.Event | None] | Exception] = Queue(
            AHEAD
        )
        self._stopped = Event()
        self._first, self._steps = first, steps
        self._thread = Thread(target=self._fill, args=(albums, config), daemon=True)
        self._thread.start()

    def _fill(self, albums: Sequence[Sequence[Held]], config: TrainingConfig) -> None:
        device = albums[0][0].boxes.device
        cuda = device.type == "cuda"
        stream = torch.cuda.Stream(device) if cuda else None  # type: ignore[no-untyped-call]
        try:
            with torch.no_grad(), torch.cuda.stream(stream) if stream else nullcontext():
                for step in range(self._first, self._steps):
                    crops, targets = make_batch(albums, config, step=step, steps=self._steps)
                    done = None
                    if stream is not None:
                        done = torch.cuda.Event()  # type: ignore[no-untyped-call]
                        done.record(stream)
                    if self._stopped.is_set():
                        return
                    self._queue.put((crops, targets, done))
        except Exception as err:
            # Raised again where the batch is asked for.
            self._queue.put(err)

    def __iter__(self) -> Iterator[tuple[Crops, Targets]]:
        for _ in range(self._first, self._steps):
            got = self._queue.get()
            if isinstance(got, Exception):
                raise got
            crops, targets, done = got
            if done is not None:
                done.wait(torch.cuda.current_stream())
                _keep_for_this_stream(crops, targets)
            yield crops, targets

    def stop(self) -> None:
        """Make no more batches."""
        self._stopped.set()
        while not self._queue.empty():
            self._queue.get_nowait()


def _keep_for_this_stream(crops: Crops, targets: Targets) -> None:
    """Memory made on the feeder's stream must not be used again while this stream reads it."""
    stream = torch.cuda.current_stream()
    for record in (crops, targets):
        for name in record.__slots__:
            getattr(record, name).record_stream(stream)
