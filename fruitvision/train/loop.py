"""The training loop: one cycle of the learning rate, a running mean of the weights, checkpoints."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from io import BytesIO
from math import cos, pi
from pathlib import Path

import torch
from torch import Tensor, nn

from fruitvision.errors import TrainingError
from fruitvision.train.album import hold
from fruitvision.train.checkpoint import Checkpoints, TrainingState
from fruitvision.train.config import TrainingConfig
from fruitvision.train.crops import Crops
from fruitvision.train.curves import Curves, progress_line
from fruitvision.train.encoder import load_published
from fruitvision.train.feeder import Feeder, first_pictures
from fruitvision.train.losses import Losses, losses
from fruitvision.train.manifest import checked_manifest
from fruitvision.train.network import FruitNetwork
from fruitvision.train.pack import read_pack
from fruitvision.train.targets import Targets
from fruitvision.train.unfolded import put_norms_back
from fruitvision.whole_file import write_whole

Say = Callable[[str], None]

# Steps that show how fast training is; the ones before are slow. Our choice.
SLOW_STEPS, TIMED_STEPS = 15, 15
# The learning rate begins and ends at this share of its highest. Common practice.
LEAST_RATE_SHARE = 0.01
# Longest gradient, as a norm. Our choice: only a bad batch should meet it; norms were not recorded.
LONGEST_GRADIENT = 10.0
# Stands for the number of steps where a few are only timed: the learning rate stays small.
MOST_STEPS = 10**7
# Batches that tell the norms of a network that starts from a shipped one. Our choice: even the
# coarsest map, of 22 x 22 cells, is seen at 190,000 places.
STARTING = 24
# Steps of which curves give the mean.
CURVE_STEPS = 25


WEIGHTS_FILE = "weights.pt"


@dataclass(frozen=True, slots=True)
class Trained:
    """What a training came to. `weights` : running mean of FruitNetwork's state."""

    weights: Path
    steps: int
    seconds: float


def rate_share(progress: float, warmup_share: float) -> float:
    """Learning rate as a share of the highest: up in a line, down in half a cosine."""
    if progress < warmup_share:
        return max(progress / warmup_share, LEAST_RATE_SHARE)
    down = min((progress - warmup_share) / (1 - warmup_share), 1.0)
    return LEAST_RATE_SHARE + (1 - LEAST_RATE_SHARE) * (1 + cos(pi * down)) / 2


class Averaged:
    """Running mean of a network's weights and batch statistics."""

    def __init__(self, network: nn.Module, decay: float) -> None:
        self.decay = decay
        self.state = {name: value.detach().clone() for name, value in network.state_dict().items()}

    @torch.no_grad()
    def update(self, network: nn.Module, step: int) -> None:
        """One step on. Early steps are soon forgotten."""
        decay = min(self.decay, (1 + step) / (10 + step))
        own, new = [], []
        for name, value in network.state_dict().items():
            if value.is_floating_point():
                own.append(self.state[name])
                new.append(value)
            else:
                self.state[name].copy_(value)
        torch._foreach_lerp_(own, new, 1 - decay)


class Learner:
    """A network in training: itself, its running mean, its optimiser.

    On an accelerator the network's own part of a step is recorded once and played back: the many
    small calls would take longer than the work.

    `start` : a shipped network to start from; `first` : pictures that tell its norms.
    """

    def __init__(
        self,
        config: TrainingConfig,
        device: torch.device,
        *,
        start: FruitNetwork | None = None,
        first: Iterable[Tensor] = (),
    ) -> None:
        self.config, self.device = config, device
        torch.manual_seed(config.seed)
        self.network = FruitNetwork(config.decoder_channels, config.head_layers, config.encoder)
        if config.encoder_weights:
            load_published(self.network.encoder, config.encoder_weights)
        if start is not None:
            put_norms_back(self.network, start.to(device), first)
        self.network.to(device=device, memory_format=torch.channels_last)  # type: ignore[call-overload]
        self.network.train()
        self.averaged = Averaged(self.network, config.ema_decay)
        self.optimiser = _optimiser(self.network, config, fused=device.type == "cuda")
        self.weights = torch.tensor(
            [getattr(config.loss_weights, name) for name in Losses.names], device=device
        )

    def record(self) -> None:
        """Record the network's part of a step, to be played back from now on."""
        shape = (self.config.batch, 3, self.config.crop_px, self.config.crop_px)
        sample = torch.full(shape, 114.0, device=self.device)
        sample = sample.contiguous(memory_format=torch.channels_last)
        before = {name: value.clone() for name, value in self.network.state_dict().items()}
        with self._precision():
            torch.cuda.make_graphed_callables(self.network, (sample,))
        # Recording has moved the batch statistics.
        self.network.load_state_dict(before)

    def _precision(self) -> AbstractContextManager[object]:
        mixed = self.device.type == "cuda" and self.config.precision == "bf16"
        return (
            torch.autocast("cuda", torch.bfloat16, cache_enabled=False) if mixed else nullcontext()
        )

    def learn(self, crops: Crops, targets: Targets, *, step: int, steps: int) -> Tensor:
        """One step; (7,) losses before it."""
        share = rate_share(step / steps, self.config.warmup_share)
        for group in self.optimiser.param_groups:
            group["lr"] = group["highest"] * share
        pictures = crops.pictures.contiguous(memory_format=torch.channels_last)
        with self._precision():
            cells = self.network(pictures)
        values = losses(
            cells.float(),
            crops,
            targets,
            rendered_heat_weight=self.config.rendered_heat_weight,
        ).values()
        self.optimiser.zero_grad(set_to_none=True)
        (values * self.weights).sum().backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(self.network.parameters(), LONGEST_GRADIENT)
        self.optimiser.step()
        self.averaged.update(self.network, step)
        return values.detach()

    def state(self, step: int, steps: int, seconds: float) -> TrainingState:
        """All that is needed to go on from here."""
        return TrainingState(
            step=step,
            steps=steps,
            seconds=seconds,
            model=self.network.state_dict(),
            ema=self.averaged.state,
            optimizer=self.optimiser.state_dict(),
        )

    def start_again(self, state: TrainingState) -> None:
        """Weights of a state, and an optimiser that has seen nothing."""
        self.network.load_state_dict(state.model)
        self.averaged.state = dict(state.ema)
        fused = self.device.type == "cuda"
        self.optimiser = _optimiser(self.network, self.config, fused=fused)

    def restore(self, state: TrainingState) -> None:
        """Go back to a state."""
        self.network.load_state_dict(state.model)
        self.averaged.state = dict(state.ema)
        self.optimiser.load_state_dict(dict(state.optimizer))


def keep_weights(state: Mapping[str, Tensor], path: Path) -> None:
    """Write a network's state."""
    stream = BytesIO()
    torch.save({name: value.cpu() for name, value in state.items()}, stream)
    write_whole(path, stream.getvalue())


def _copied(state: Mapping[str, Tensor]) -> dict[str, Tensor]:
    return {name: value.clone() for name, value in state.items()}


def _optimiser(network: FruitNetwork, config: TrainingConfig, *, fused: bool) -> torch.optim.AdamW:
    """AdamW (Loshchilov & Hutter 2019, arXiv:1711.05101); norms and offsets do not decay."""
    groups: dict[tuple[bool, bool], list[nn.Parameter]] = {}
    for name, parameter in network.named_parameters():
        key = (name.startswith("encoder."), parameter.ndim > 1)
        groups.setdefault(key, []).append(parameter)
    listed = []
    for (encodes, decays), parameters in groups.items():
        factor = config.encoder_learning_rate_factor if encodes else 1.0
        highest = config.learning_rate * factor
        decay = config.weight_decay if decays else 0.0
        listed.append(
            {"params": parameters, "lr": highest, "highest": highest, "weight_decay": decay}
        )
    return torch.optim.AdamW(listed, fused=fused)


def train(
    config: TrainingConfig,
    out: Path,
    *,
    start: FruitNetwork | None = None,
    device: str = "cuda",
    resume: bool = False,
    say: Say,
) -> Trained:
    """Train from the published encoder, or a shipped network, to weights.pt in `out`.

    Parameters
    ----------
    config : TrainingConfig
    out : Path
        Folder of the run: manifest, curves, checkpoints, weights.
    start : FruitNetwork or None
        That of the config's `start_network`.
    device : str
        cuda or cpu.
    resume : bool
        Go on from the last checkpoint, if there is one.
    say : callable
        Gets a line of progress now and then.

    Raises
    ------
    TrainingError
        If a pack, the config or a checkpoint does not fit, or there is no accelerator.
    """
    if device == "cuda" and not torch.cuda.is_available():
        raise TrainingError("There is no accelerator.", fix="Train with --device cpu.")
    return _Run(config, out, torch.device(device), start, say).go(resume=resume)


class _Run:
    """One training: what it learns from, what it keeps, how far it is."""

    def __init__(
        self,
        config: TrainingConfig,
        out: Path,
        device: torch.device,
        start: FruitNetwork | None,
        say: Say,
    ) -> None:
        self.config, self.device, self.say = config, device, say
        self.begun = time.monotonic()
        self.weights_file = out / WEIGHTS_FILE
        if device.type == "cuda":
            torch.backends.cudnn.allow_tf32 = True
            torch.backends.cuda.matmul.allow_tf32 = True
        packs = [read_pack(choice.folder) for choice in config.packs]
        manifest = checked_manifest(config, packs, out)
        self.albums = hold(
            packs,
            device,
            least_visible_share=config.least_visible_share,
            threads=config.workers,
        )
        say(f"{sum(len(pack) for pack in packs)} pictures decoded")
        first = first_pictures(self.albums, config, batches=STARTING)
        self.learner = Learner(config, device, start=start, first=first)
        self.curves = Curves(out)
        self.checkpoints = Checkpoints(out, config, manifest)

    def go(self, *, resume: bool) -> Trained:
        found = self.checkpoints.latest(self.device) if resume else None
        first, steps = (found.step, found.steps) if found else (0, self.config.steps)
        before = found.seconds if found else 0.0
        if found is not None:
            self.learner.restore(found)
            self.say(f"going on after step {first} of {steps}")
        self.curves.go_on_after(first)
        if self.device.type == "cuda":
            self.learner.record()
            self.say(f"ready after {time.monotonic() - self.begun:.0f} s")
        if not steps:
            steps = first + self._steps_that_fit()
        feeder = Feeder(self.albums, self.config, first=first, steps=steps)
        speed, sums = _Speed(self.device), torch.zeros(len(Losses.names), device=self.device)
        for done, (crops, targets) in enumerate(feeder, start=first + 1):
            sums += self.learner.learn(crops, targets, step=done - 1, steps=steps)
            speed.tick()
            if done % CURVE_STEPS == 0:
                self._report(done, steps, sums / CURVE_STEPS, speed)
                sums.zero_()
            if done >= steps or done % self.config.checkpoint_steps == 0:
                seconds = before + time.monotonic() - self.begun
                self.checkpoints.save(self.learner.state(done, steps, seconds))
                # The running mean so far: a training that is cut short has weights too.
                keep_weights(self.learner.averaged.state, self.weights_file)
        feeder.stop()
        return Trained(self.weights_file, steps, before + time.monotonic() - self.begun)

    def _steps_that_fit(self) -> int:
        """Steps that fit into the config's minutes, by the speed of a few, which are undone."""
        speed = _Speed(self.device)
        kept = self.learner.state(0, 1, 0.0)
        kept = replace(kept, model=_copied(kept.model), ema=_copied(kept.ema))
        feeder = Feeder(self.albums, self.config, first=0, steps=SLOW_STEPS + TIMED_STEPS)
        for step, (crops, targets) in enumerate(feeder):
            self.learner.learn(crops, targets, step=step, steps=MOST_STEPS)
            speed.tick()
        self.learner.start_again(kept)
        left = self.config.minutes * 60 - (time.monotonic() - self.begun)
        return max(int(left / speed.seconds_a_step), 1)

    def _report(self, done: int, steps: int, means: Tensor, speed: _Speed) -> None:
        values = dict(zip(Losses.names, means.tolist(), strict=True))
        self.curves.losses(done, values)
        if done % (4 * CURVE_STEPS) == 0:
            rate = self.config.batch / speed.seconds_a_step
            left = (steps - done) * speed.seconds_a_step
            self.say(
                progress_line(done, steps, values, pictures_per_second=rate, seconds_left=left)
            )


class _Speed:
    """Seconds a step, once the slow first ones are over."""

    def __init__(self, device: torch.device) -> None:
        self._device, self._ticks, self._begun = device, 0, 0.0
        self.seconds_a_step = 1.0

    def tick(self) -> None:
        self._ticks += 1
        if self._ticks == SLOW_STEPS:
            self._begun = self._now()
        elif self._ticks == SLOW_STEPS + TIMED_STEPS:
            self.seconds_a_step = max((self._now() - self._begun) / TIMED_STEPS, 1e-4)

    def _now(self) -> float:
        if self._device.type == "cuda":
            torch.cuda.synchronize()
        return time.monotonic()
