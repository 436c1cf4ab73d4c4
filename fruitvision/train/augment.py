"""Light, camera and stray balls, drawn anew for every crop on the accelerator.

Our choice of all ranges: wide enough for white skies, evening sun, night flash and small crops of
poor cameras, after what real row photos and the rendered orchards show.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import pi

import torch
from torch import Generator, Tensor
from torch.nn import functional

from fruitvision.fruit.working_scale import LEAST_SMOOTHED_PX, SMOOTHED_PX
from fruitvision.train.config import CoarseCrops
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
# The same of colour (table K.2), which is kept at half the size; all but these are 99.
JPEG_COLOUR_CORNER = ((17, 18, 24, 47), (18, 21, 26, 66), (24, 26, 56, 99), (47, 66, 99, 99))
# Largest factor of a picture made smaller, so that something is lost. Our choice.
COARSE_MOST = 0.85
# Quality of small pictures, as programs save them. Our choice.
COARSE_QUALITY = (40.0, 95.0)
# Brightness and the two differences of colour, from red, green and blue (ITU-T T.871).
TO_YCC = (
    (0.299, 0.587, 0.114),
    (-0.168736, -0.331264, 0.5),
    (0.5, -0.418688, -0.081312),
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


def augment(
    crops: Crops, chance: Chance, coarse: CoarseCrops, *, plain_share: float = 0.0
) -> Crops:
    """The same fruit in another light, through another camera, some with balls between them.

    `plain_share` : of the crops, which keep their light, grain and sharpness.
    """
    crops = hang_balls(crops, chance)
    own = crops.pictures / 255.0
    plain = chance.happens(plain_share, len(own), 1, 1, 1)
    lit = torch.where(plain, own, shade(light(own, chance), chance))
    seen = coarser(lit, chance, coarse)
    rough = jpeg(noise(blur(seen, chance), chance), chance)
    pictures = torch.where(plain, seen, rough)
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


def coarser(pictures: Tensor, chance: Chance, coarse: CoarseCrops) -> Tensor:
    """Some crops as from a camera with fewer px, some of these as small JPEGs made larger."""
    out = pictures.clone()
    count = len(pictures)
    chosen = chance.happens(coarse.share, count).nonzero()[:, 0].tolist()
    factors = chance.between(coarse.least, COARSE_MOST, count).tolist()
    coded = chance.happens(coarse.coded, count).tolist()
    qualities = chance.between(*COARSE_QUALITY, count)
    for index in chosen:
        one, factor = pictures[index : index + 1], factors[index]
        if coded[index]:
            out[index] = enlarged_jpeg(one, factor, qualities[index : index + 1])[0]
        else:
            out[index] = _resized(_resized(one, factor), 1.0, one.shape[2:])[0]
    return out


def enlarged_jpeg(pictures: Tensor, factor: float, quality: Tensor) -> Tensor:
    """As the detector sees a small picture: coded at that size, larger on straight lines, smoothed.

    Parameters
    ----------
    pictures : (B, 3, H, W), 0 to 1
    factor : float
        How much smaller the picture was, below 1.
    quality : (B,)
        Of the JPEG, 1 to 100.
    """
    size = pictures.shape[2:]
    whole_blocks = [16 * max(1, round(side * factor / 16)) for side in size]
    small = colour_jpeg(_resized(pictures, factor, whole_blocks), quality)
    larger = _resized(small, 1.0, size)
    # As `fruitvision.fruit.working_scale.resampled` does.
    sigma = SMOOTHED_PX * (1 / factor - 1)
    if sigma < LEAST_SMOOTHED_PX:
        return larger
    return smoothed(larger, torch.full_like(quality, sigma), reach_px=6)


def _resized(pictures: Tensor, factor: float, size: Sequence[int] | None = None) -> Tensor:
    """`factor` times as large, or of that height and width."""
    wanted = size or [max(1, int(side * factor)) for side in pictures.shape[2:]]
    return functional.interpolate(pictures, list(wanted), mode="bilinear", antialias=factor < 1)


def blur(pictures: Tensor, chance: Chance) -> Tensor:
    """One crop in four out of focus by up to 1.8 px."""
    count = len(pictures)
    sigma = torch.where(chance.happens(0.25, count), chance.between(0.4, 1.8, count), 0.05)
    return smoothed(pictures, sigma, reach_px=4)


def smoothed(pictures: Tensor, sigma: Tensor, *, reach_px: int) -> Tensor:
    """(B, 3, H, W) through bells of (B,) px, cut off at `reach_px`."""
    count = len(pictures)
    at = torch.arange(-reach_px, reach_px + 1, device=pictures.device).float()
    kernel = torch.exp(-((at[None] / sigma[:, None]) ** 2) / 2)
    kernel = (kernel / kernel.sum(1, keepdim=True)).repeat_interleave(3, dim=0)
    flat = pictures.reshape(1, -1, *pictures.shape[2:])
    # A picture goes on beyond its edge as it ends there.
    flat = functional.pad(flat, (reach_px,) * 4, mode="replicate")
    flat = functional.conv2d(flat, kernel[:, None, None, :], groups=count * 3)
    flat = functional.conv2d(flat, kernel[:, None, :, None], groups=count * 3)
    return flat.reshape(pictures.shape)


def noise(pictures: Tensor, chance: Chance) -> Tensor:
    """Grain, in a third of the crops strong."""
    count = len(pictures)
    strong = chance.between(0.01, 0.06, count, 1, 1, 1)
    spread = torch.where(chance.happens(0.33, count, 1, 1, 1), strong, 0.006)
    return pictures + spread * chance.normal(1.0, *pictures.shape)


def jpeg(pictures: Tensor, chance: Chance) -> Tensor:
    """Half of the crops through JPEG's quantisation, quality 25 to 90, all channels alike."""
    count = len(pictures)
    table = torch.tensor(JPEG_TABLE, device=pictures.device, dtype=torch.float32)
    coded = _quantised(pictures.clamp(0, 1) - 0.5, table, chance.between(25, 90, count)) + 0.5
    return torch.where(chance.happens(0.5, count, 1, 1, 1), coded, pictures)


def colour_jpeg(pictures: Tensor, quality: Tensor) -> Tensor:
    """(B, 3, H, W), 0 to 1, sides of whole 16 px, as JPEG of (B,) quality with colour at half size.

    As most programs save; the bits that follow lose nothing.
    """
    device = pictures.device
    there = torch.tensor(TO_YCC)
    back = torch.linalg.inv(there).to(device)
    planes = torch.einsum("ij,bjhw->bihw", there.to(device), pictures.clamp(0, 1))
    bright = torch.tensor(JPEG_TABLE, device=device, dtype=torch.float32)
    colour = torch.full((8, 8), 99.0, device=device)
    colour[:4, :4] = torch.tensor(JPEG_COLOUR_CORNER, device=device, dtype=torch.float32)
    luma = _quantised(planes[:, :1] - 0.5, bright, quality) + 0.5
    halved = _quantised(functional.avg_pool2d(planes[:, 1:], 2), colour, quality)
    chroma = functional.interpolate(halved, scale_factor=2.0, mode="bilinear")
    return torch.einsum("ij,bjhw->bihw", back, torch.cat([luma, chroma], 1)).clamp(0, 1)


def _quantised(planes: Tensor, table: Tensor, quality: Tensor) -> Tensor:
    """(B, C, H, W) around 0, 1 from end to end; blocks of 8 px in steps of (8, 8) / 255."""
    count, channels, height, width = planes.shape
    basis = _cosines(planes.device)
    scale = torch.where(quality < 50, 50 / quality, 2 - quality / 50)
    steps = (table[None] * scale[:, None, None]).clamp_min(1.0)[:, None, None, None]
    blocks = (255 * planes).reshape(count, channels, height // 8, 8, width // 8, 8)
    spectrum = basis @ blocks.permute(0, 1, 2, 4, 3, 5) @ basis.T
    rough = basis.T @ ((spectrum / steps).round() * steps) @ basis
    return rough.permute(0, 1, 2, 4, 3, 5).reshape(planes.shape) / 255


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
