"""Pictures without an orchard: photos that come with scikit-image, parts of them, drawn ones."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
import skimage
from numpy.typing import NDArray
from PIL import Image as PillowImage
from PIL import ImageDraw, ImageFont

Image = NDArray[np.uint8]

# All that comes with scikit-image 0.26 and is a picture: people, animals, cups, coins, cells, the
# moon, galaxies, printed pages, walls, grass. Nothing is loaded from elsewhere.
PHOTOS = (
    "astronaut.png",
    "brick.png",
    "camera.png",
    "cell.png",
    "chelsea.png",
    "clock_motion.png",
    "coffee.png",
    "coins.png",
    "color.png",
    "grass.png",
    "gravel.png",
    "horse.png",
    "hubble_deep_field.jpg",
    "ihc.png",
    "logo.png",
    "microaneurysms.png",
    "moon.png",
    "motorcycle_left.png",
    "motorcycle_right.png",
    "page.png",
    "phantom.png",
    "retina.jpg",
    "rocket.jpg",
    "text.png",
)
# Of these the middle is taken too, three times as large; and the whole at half its size.
LARGER = ("astronaut", "chelsea", "coffee", "coins", "motorcycle_left", "rocket", "moon", "grass")
SMALLER = ("coins", "hubble_deep_field", "retina", "ihc", "motorcycle_right", "gravel")
# Usual size of a drawn picture, px: height, width.
SIZE = (960, 720)


def pictures() -> Iterator[tuple[str, Image]]:
    """Name and (H, W, 3) uint8 RGB picture of each, always the same ones."""
    folder = Path(skimage.__file__).parent / "data"
    for name in PHOTOS:
        image, short = _read(folder / name), Path(name).stem
        yield short, image
        if short in LARGER:
            yield f"{short}, middle, 3 times as large", _middle(image)
        if short in SMALLER:
            yield f"{short}, half as large", _resized(image, 0.5)
    for drawn_name, draw in DRAWN.items():
        yield f"drawn {drawn_name}", draw()


def pictures_of(folder: Path) -> Iterator[tuple[str, Image]]:
    """The same for pictures in a folder of one's own, PNG or JPEG."""
    for path in sorted([*folder.glob("*.jpg"), *folder.glob("*.png")]):
        yield path.name, _read(path)


def _read(path: Path) -> Image:
    with PillowImage.open(path) as picture:
        return np.asarray(picture.convert("RGB"), dtype=np.uint8)


def _resized(image: Image, factor: float) -> Image:
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(image, None, fx=factor, fy=factor, interpolation=how), np.uint8)


def _middle(image: Image) -> Image:
    height, width = image.shape[:2]
    return _resized(image[height // 4 : -height // 4, width // 4 : -width // 4], 3.0)


def _plain(red: int, green: int, blue: int) -> Callable[[], Image]:
    return lambda: np.full((*SIZE, 3), (red, green, blue), dtype=np.uint8)


def _noise(channels: int, blur_px: float) -> Callable[[], Image]:
    def draw() -> Image:
        noise = np.random.default_rng(5).normal(size=(*SIZE, channels)).astype(np.float32)
        if blur_px:
            noise = cv2.GaussianBlur(noise, (0, 0), blur_px).reshape(*SIZE, channels)
        noise = 128 + 50 * noise / noise.std()
        return np.repeat(noise.clip(0, 255), 3 // channels, axis=2).astype(np.uint8)

    return draw


def _gradient(down: bool) -> Callable[[], Image]:
    def draw() -> Image:
        y, x = np.mgrid[: SIZE[0], : SIZE[1]]
        along = y / SIZE[0] if down else np.hypot(y - 480, x - 360) / 600
        ends = np.array([[90, 140, 230], [250, 190, 120]], dtype=np.float64)
        return np.asarray(ends[0] + along[..., None] * (ends[1] - ends[0]), np.uint8)

    return draw


def _board(field_px: int) -> Callable[[], Image]:
    def draw() -> Image:
        y, x = np.mgrid[: SIZE[0], : SIZE[1]] // field_px
        return np.repeat(((x + y) % 2 * 255).astype(np.uint8)[..., None], 3, axis=2)

    return draw


def _stripes() -> Image:
    x = np.arange(SIZE[1]) // 30 % 3
    colours = np.array([(200, 30, 40), (250, 250, 240), (30, 120, 60)], dtype=np.uint8)
    return np.broadcast_to(colours[x], (*SIZE, 3)).copy()


def _leafy() -> Image:
    """Leaf greens, blurred: as a hedge out of focus."""
    noise = np.random.default_rng(6).normal(size=(*SIZE, 1)).astype(np.float32)
    depth = cv2.GaussianBlur(noise, (0, 0), 9)[..., None]
    depth = (depth - depth.min()) / np.ptp(depth)
    dark, light = np.array([20, 45, 15]), np.array([150, 190, 90])
    return np.asarray(dark + depth * (light - dark), np.uint8)


def _hedge() -> Image:
    """Leaves as pointed shapes, thousands of them, no fruit."""
    rng = np.random.default_rng(7)
    canvas = PillowImage.fromarray(_leafy())
    draw = ImageDraw.Draw(canvas)
    for x, y, turn, light in rng.uniform(size=(5000, 4)) * (SIZE[1], SIZE[0], 2 * np.pi, 1):
        along = 16 * np.array([np.cos(turn), np.sin(turn)])
        across = 0.45 * np.array([-along[1], along[0]])
        middle = np.array([x, y])
        corners = [middle - along, middle + across, middle + along, middle - across]
        fill = (int(40 + 90 * light), int(80 + 100 * light), int(30 + 50 * light))
        draw.polygon([(float(a), float(b)) for a, b in corners], fill=fill)
    return np.asarray(canvas, dtype=np.uint8)


def _net() -> Image:
    """A hail net in front of green."""
    image = _leafy()
    image[::14] = image[:, ::14] = (235, 235, 235)
    return image


def _snow() -> Image:
    """White ground, grey sky, flakes."""
    rng = np.random.default_rng(8)
    canvas = PillowImage.new("RGB", SIZE[::-1], (170, 178, 190))
    draw = ImageDraw.Draw(canvas)
    draw.rectangle((0, 600, *SIZE[::-1]), fill=(240, 243, 248))
    for x, y, size in rng.uniform(size=(500, 3)) * (SIZE[1], SIZE[0], 6):
        draw.ellipse((x, y, x + 2 + size, y + 2 + size), fill=(250, 250, 252))
    return np.asarray(canvas, dtype=np.uint8)


def _page(ground: tuple[int, int, int], ink: tuple[int, int, int]) -> Callable[[], Image]:
    """A screen with a table of numbers, buttons and a bar."""

    def draw_page() -> Image:
        canvas = PillowImage.new("RGB", SIZE[::-1], ground)
        draw = ImageDraw.Draw(canvas)
        draw.rectangle((0, 0, SIZE[1], 60), fill=(40, 90, 160))
        font = ImageFont.load_default(20)
        for line in range(26):
            words = f"Row {line + 1}   {(line * 37) % 91} fruit   {60 + line * 7 % 25} mm"
            draw.text((40, 90 + 32 * line), words, fill=ink, font=font)
        draw.rounded_rectangle((500, 90, 680, 140), radius=12, fill=(40, 150, 80))
        draw.text((540, 102), "Save", fill=(255, 255, 255), font=font)
        return np.asarray(canvas, dtype=np.uint8)

    return draw_page


def _chat() -> Image:
    """A screen with messages and a round picture beside each: the hardest of the drawn ones."""
    canvas = PillowImage.new("RGB", SIZE[::-1], (245, 245, 245))
    draw = ImageDraw.Draw(canvas)
    colours = ((220, 60, 60), (70, 120, 210), (240, 180, 40), (90, 160, 80))
    for line in range(10):
        y = 30 + 92 * line
        draw.ellipse((30, y, 86, y + 56), fill=colours[line % 4])
        draw.rounded_rectangle((110, y, 600, y + 60), radius=16, fill=(255, 255, 255))
        draw.text((130, y + 18), "See you at the gate at eight.", fill=(30, 30, 30))
    return np.asarray(canvas, dtype=np.uint8)


def _signs() -> Image:
    """Traffic lights and red round signs."""
    canvas = PillowImage.new("RGB", SIZE[::-1], (150, 190, 230))
    draw = ImageDraw.Draw(canvas)
    draw.rectangle((300, 200, 420, 520), fill=(30, 30, 30))
    for y, fill in ((210, (220, 30, 30)), (315, (240, 180, 30)), (420, (40, 180, 80))):
        draw.ellipse((310, y, 410, y + 95), fill=fill)
    for x in (60, 560):
        draw.ellipse((x, 240, x + 110, 350), fill=(245, 245, 245), outline=(200, 20, 30), width=16)
        draw.rectangle((x + 50, 350, x + 60, 900), fill=(120, 120, 120))
    return np.asarray(canvas, dtype=np.uint8)


DRAWN: dict[str, Callable[[], Image]] = {
    "black": _plain(0, 0, 0),
    "white": _plain(255, 255, 255),
    "grey": _plain(114, 114, 114),
    "leaf green": _plain(80, 130, 50),
    "apple red": _plain(170, 30, 40),
    "sky": _gradient(True),
    "round gradient": _gradient(False),
    "grey noise": _noise(1, 0),
    "coloured noise": _noise(3, 0),
    "soft grey noise": _noise(1, 12),
    "soft coloured noise": _noise(3, 12),
    "board of 8 px": _board(8),
    "board of 40 px": _board(40),
    "board of 120 px": _board(120),
    "stripes": _stripes,
    "hedge out of focus": _leafy,
    "hedge of leaves": _hedge,
    "net": _net,
    "snow": _snow,
    "light screen": _page((255, 255, 255), (20, 20, 20)),
    "dark screen": _page((25, 28, 34), (220, 220, 220)),
    "screen with round pictures": _chat,
    "traffic lights": _signs,
}
