"""Light, camera and stray balls, drawn anew for every crop on the accelerator.

Our choice of all ranges: wide enough for white skies, evening sun, night flash and small crops of
poor cameras, after what real row photos and the rendered orchards show.
"""

from __future__ import annotations

from dataclasses import replace
from math import pi

import torch
from torch import Generator, Tensor
from torch.nn import functional

from fruitvision.train.crops import Crops

# Red, green and blue in luminance (ITU-R BT.709).
LUMINANCE = (0.2126, 0.7152, 0.0722)
# Balls of known size, as sold for sport and play: sRGB of their paint (our choice).
BALL_COLOURS = (
    (245, 245, 240),
    (250, 250, 250),
    (235, 120, 30),
    (240, 215, 40),
    (40, 80, 190),
    (30, 140, 210),
    (225, 60, 140),
    (60, 60, 60),
    (150, 150, 150),
    (120, 200, 60),
    (200, 235, 60),
    (190, 30, 35),
)
# Luminance quantisation at quality 50 (ITU-T T.81, annex K, table K.1).
JPEG_TABLE = (
    (16, 11, 10, 16, 24, 40, 51, 61),
    (12, 12, 14, 19, 26, 58, 60, 55),
    (14, 13, 16, 24, 40, 57, 69, 56),
    (14, 17, 22, 29, 51, 87, 80, 62),
    (18, 22, 37, 56, 68, 109, 103, 77),
    (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101),
    (72, 92, 95, 98, 112, 100, 103, 99),
)


class Chance:
    """Random numbers of one stream on one device."""

    def __init__(self, seed: int, device: torch.device) -> None:
        self.device = device
        self.generator = Generator(device=device).manual_seed(seed)

    def between(self, low: float, high: float, *shape: int) -> Tensor:
        """Even over low to high."""
        drawn = torch.rand(shape, generator=self.generator, device=self.device)
        return low + (high - low) * drawn

    def normal(self, spread: float, *shape: int) -> Tensor:
        """Around 0."""
        return spread * torch.randn(shape, generator=self.generator, device=self.device)

    def happens(self, share: float, *shape: int) -> Tensor:
        """True in that share."""
        return self.between(0.0, 1.0, *shape) < share


def augment(crops: Crops, chance: Chance) -> Crops:
    """The same fruit in another light, through another camera, some with balls between them."""
    crops = hang_balls(crops, chance)
    pictures = light(crops.pictures / 255.0, chance)
    pictures = shade(pictures, chance)
    pictures = coarser(pictures, chance)
    pictures = blur(pictures, chance)
    pictures = noise(pictures, chance)
    pictures = jpeg(pictures, chance)
    return replace(crops, pictures=pictures.clamp(0, 1) * 255.0)


def light(pictures: Tensor, chance: Chance) -> Tensor:
    """Exposure, tone, white balance and saturation of (B, 3, S, S), 0 to 1."""
    count = len(pictures)
    weights = torch.tensor(LUMINANCE, device=pictures.device)[None, :, None, None]
    exposure = torch.exp(chance.normal(0.28, count, 1, 1, 1)).clamp(0.45, 1.7)
    # One crop in ten is far too dark or taken at dusk.
    dark = torch.where(
        chance.happens(0.1, count, 1, 1, 1), chance.between(0.15, 0.6, count, 1, 1, 1), 1.0
    )
    balance = torch.exp(chance.normal(0.08, count, 3, 1, 1))
    gamma = torch.exp(chance.normal(0.22, count, 1, 1, 1)).clamp(0.55, 1.8)
    out = (pictures * exposure * dark * balance).clamp(0, 1).clamp_min(1e-4) ** gamma
    grey = (out * weights).sum(1, keepdim=True)
    saturation = chance.between(0.5, 1.45, count, 1, 1, 1)
    saturation = torch.where(chance.happens(0.02, count, 1, 1, 1), 0.0, saturation)
    out = grey + (out - grey) * saturation
    middle = out.mean((1, 2, 3), keepdim=True)
    contrast = chance.between(0.7, 1.3, count, 1, 1, 1)
    return turn_hue(middle + (out - middle) * contrast, chance.normal(0.06, count))


def turn_hue(pictures: Tensor, angle: Tensor) -> Tensor:
    """Colours turned about the grey axis by (B,) radians."""
    cos, sin = torch.cos(angle), torch.sin(angle) / 3**0.5
    third = (1 - cos) / 3
    matrix = torch.stack(
        [
            torch.stack([cos + third, third - sin, third + sin], -1),
            torch.stack([third + sin, cos + third, third - sin], -1),
            torch.stack([third - sin, third + sin, cos + third], -1),
        ],
        dim=1,
    )
    return torch.einsum("bij,bjhw->bihw", matrix, pictures)


def shade(pictures: Tensor, chance: Chance) -> Tensor:
    """Uneven light over two crops in five: large soft shadows, or small flecks."""
    count, _, height, width = pictures.shape
    fields = []
    for knots in (4, 24):
        coarse = chance.normal(0.30, count, 1, knots, knots)
        fields.append(
            functional.interpolate(coarse, (height, width), mode="bicubic", align_corners=True)
        )
    which = chance.between(0, 1, count, 1, 1, 1)
    field = torch.where(which < 0.25, fields[0], torch.where(which < 0.40, fields[1], 0.0))
    return pictures * torch.exp(field)


def coarser(pictures: Tensor, chance: Chance) -> Tensor:
    """One crop in six as from a camera with fewer px."""
    out = pictures.clone()
    chosen = chance.happens(1 / 6, len(pictures)).nonzero()[:, 0].tolist()
    factors = chance.between(0.35, 0.85, len(pictures)).tolist()
    for index in chosen:
        small = functional.interpolate(
            pictures[index][None],
            scale_factor=factors[index],
            mode="bilinear",
            antialias=True,
            recompute_scale_factor=True,
        )
        out[index] = functional.interpolate(small, pictures.shape[2:], mode="bilinear")[0]
    return out


def blur(pictures: Tensor, chance: Chance) -> Tensor:
    """One crop in four out of focus by up to 1.8 px."""
    count = len(pictures)
    sigma = torch.where(chance.happens(0.25, count), chance.between(0.4, 1.8, count), 0.05)
    at = torch.arange(-4, 5, device=pictures.device).float()
    kernel = torch.exp(-((at[None] / sigma[:, None]) ** 2) / 2)
    kernel = (kernel / kernel.sum(1, keepdim=True)).repeat_interleave(3, dim=0)
    flat = pictures.reshape(1, -1, *pictures.shape[2:])
    flat = functional.conv2d(flat, kernel[:, None, None, :], padding=(0, 4), groups=count * 3)
    flat = functional.conv2d(flat, kernel[:, None, :, None], padding=(4, 0), groups=count * 3)
    return flat.reshape(pictures.shape)


def noise(pictures: Tensor, chance: Chance) -> Tensor:
    """Grain, in a third of the crops strong."""
    count = len(pictures)
    strong = chance.between(0.01, 0.06, count, 1, 1, 1)
    spread = torch.where(chance.happens(0.33, count, 1, 1, 1), strong, 0.006)
    return pictures + spread * chance.normal(1.0, *pictures.shape)


def jpeg(pictures: Tensor, chance: Chance) -> Tensor:
    """Half of the crops through JPEG's quantisation, quality 25 to 90, all channels alike."""
    count, _, height, width = pictures.shape
    basis = _cosines(pictures.device)
    quality = chance.between(25, 90, count)
    scale = torch.where(quality < 50, 50 / quality, 2 - quality / 50)
    table = torch.tensor(JPEG_TABLE, device=pictures.device, dtype=torch.float32)
    steps = (table[None] * scale[:, None, None]).clamp_min(1.0)[:, None, None, None]
    blocks = (
        (255 * pictures.clamp(0, 1) - 128)
        .reshape(count, 3, height // 8, 8, width // 8, 8)
        .permute(0, 1, 2, 4, 3, 5)
    )
    spectrum = basis @ blocks @ basis.T
    rough = basis.T @ ((spectrum / steps).round() * steps) @ basis
    coded = (rough.permute(0, 1, 2, 4, 3, 5).reshape(pictures.shape) + 128) / 255
    return torch.where(chance.happens(0.5, count, 1, 1, 1), coded, pictures)


def _cosines(device: torch.device) -> Tensor:
    """(8, 8) discrete cosine transform, rows are waves (ITU-T T.81, A.3.3)."""
    wave = torch.arange(8, device=device).float()[:, None]
    at = torch.arange(8, device=device).float()[None]
    basis = 0.5 * torch.cos((2 * at + 1) * wave * pi / 16)
    basis[0] *= 0.5**0.5
    return basis


# ---------------------------------------------------------------- balls of known size

BALL_SHARE = 0.2
MOST_BALLS = 3
# Fruit of which a ball covers more than this are no longer trained on. Our choice.
COVERED = 0.35


def hang_balls(crops: Crops, chance: Chance) -> Crops:
    """Evenly painted, shaded balls in a fifth of the crops: they are no fruit."""
    count, size = len(crops.pictures), crops.pictures.shape[2]
    device = crops.pictures.device
    pictures, numbers = crops.pictures.clone(), crops.numbers.clone()
    ignored = crops.ignored.clone()
    colours = torch.tensor(BALL_COLOURS, device=device, dtype=torch.float32)
    at = torch.arange(size, device=device).float()
    cell = torch.arange(size // 4, device=device).float() * 4 + 1.5
    for index in chance.happens(BALL_SHARE, count).nonzero()[:, 0].tolist():
        for _ in range(1 + int(chance.between(0, MOST_BALLS, 1))):
            x, y = (chance.between(0, size, 2)).tolist()
            radius = 22.0 * float(torch.exp(chance.normal(0.35, 1)).clamp(0.4, 2.2))
            paint = colours[int(chance.between(0, len(BALL_COLOURS) - 1e-3, 1))]
            ball, cover = _ball(at, (x, y), radius, paint, chance)
            pictures[index] = pictures[index] * (1 - cover) + ball * cover
            far = (cell[None] - x) ** 2 + (cell[:, None] - y) ** 2 > radius**2
            numbers[index] = torch.where(far | (numbers[index] == -2), numbers[index], -1)
            ignored[index] |= _covered(crops.boxes[index], x, y, radius)
    return replace(crops, pictures=pictures, numbers=numbers, ignored=ignored)


def _ball(
    at: Tensor, centre: tuple[float, float], radius: float, paint: Tensor, chance: Chance
) -> tuple[Tensor, Tensor]:
    """(3, S, S) shaded paint, 0 to 255, and (1, S, S) how far it covers, 0 to 1."""
    u, v = (at[None] - centre[0]) / radius, (at[:, None] - centre[1]) / radius
    away = (u**2 + v**2).sqrt()
    towards = (1 - away**2).clamp_min(0).sqrt()
    turn = float(chance.between(-pi, 0, 1))
    height = float(chance.between(0.3, 1.0, 1))
    side = (1 - height**2) ** 0.5
    lit = u * side * torch.cos(torch.tensor(turn)) + v * side * torch.sin(torch.tensor(turn))
    lit = (lit + towards * height).clamp_min(0)
    ambient = float(chance.between(0.35, 0.8, 1))
    shine = float(chance.between(0, 0.5, 1)) * lit**40
    tone = ambient + (1.1 - ambient) * lit
    ball = (paint[:, None, None] * tone + 255 * shine).clamp(0, 255)
    cover = ((1 - away) * radius + 0.5).clamp(0, 1)[None]
    return ball * float(torch.exp(chance.normal(0.15, 1))), cover


def _covered(boxes: Tensor, x: float, y: float, radius: float) -> Tensor:
    """(N,) bool: boxes that the ball's square covers by more than COVERED."""
    half = radius * 0.9
    low = torch.stack([boxes[:, 0].clamp_min(x - half), boxes[:, 1].clamp_min(y - half)], 1)
    high = torch.stack([boxes[:, 2].clamp_max(x + half), boxes[:, 3].clamp_max(y + half)], 1)
    common = (high - low).clamp_min(0).prod(1)
    return common > COVERED * (boxes[:, 2:] - boxes[:, :2]).clamp_min(1e-3).prod(1)
