"""Kinds of skin of apples by name: their colours and how far the blush has come.

All numbers are our choice, by eye against photos of apples; linear reflectance throughout.
"""

from __future__ import annotations

from dataclasses import dataclass

Colour = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Skin:
    """A kind of skin: two grounds between which fruit vary, the blush and how far it has come.

    `cover`, `cover_sd` : share of the skin with blush; `stripes` : 0 none, 1 strong; `spots` :
    how clearly lenticels show.
    """

    ground: Colour
    greener: Colour
    blush: Colour
    cover: float
    cover_sd: float
    stripes: float
    spots: float = 0.5


SKINS = {
    # The two varieties of the sample farm three and seven weeks before their pick.
    "Gala": Skin(
        ground=(0.57, 0.45, 0.21),
        greener=(0.42, 0.42, 0.18),
        blush=(0.39, 0.034, 0.053),
        cover=0.64,
        cover_sd=0.17,
        stripes=0.60,
        spots=0.35,
    ),
    "Fuji": Skin(
        ground=(0.45, 0.46, 0.19),
        greener=(0.28, 0.36, 0.12),
        blush=(0.40, 0.085, 0.085),
        cover=0.48,
        cover_sd=0.18,
        stripes=0.40,
        spots=0.6,
    ),
    "Braeburn": Skin(
        ground=(0.45, 0.44, 0.14),
        greener=(0.26, 0.34, 0.10),
        blush=(0.33, 0.040, 0.046),
        cover=0.55,
        cover_sd=0.20,
        stripes=0.55,
        spots=0.5,
    ),
    "red_striped": Skin(
        ground=(0.60, 0.43, 0.20),
        greener=(0.50, 0.43, 0.18),
        blush=(0.38, 0.026, 0.040),
        cover=0.76,
        cover_sd=0.15,
        stripes=0.90,
        spots=0.3,
    ),
    "dark_red": Skin(
        ground=(0.42, 0.20, 0.09),
        greener=(0.30, 0.26, 0.09),
        blush=(0.24, 0.012, 0.018),
        cover=0.93,
        cover_sd=0.05,
        stripes=0.10,
        spots=0.55,
    ),
    "pink_blush": Skin(
        ground=(0.50, 0.52, 0.22),
        greener=(0.36, 0.44, 0.16),
        blush=(0.52, 0.135, 0.135),
        cover=0.45,
        cover_sd=0.16,
        stripes=0.25,
        spots=0.6,
    ),
    "yellow": Skin(
        ground=(0.70, 0.58, 0.15),
        greener=(0.55, 0.55, 0.16),
        blush=(0.62, 0.30, 0.13),
        cover=0.14,
        cover_sd=0.10,
        stripes=0.0,
        spots=0.7,
    ),
    "green": Skin(
        ground=(0.34, 0.44, 0.13),
        greener=(0.21, 0.32, 0.085),
        blush=(0.34, 0.30, 0.11),
        cover=0.0,
        cover_sd=0.0,
        stripes=0.0,
        spots=0.8,
    ),
    "green_blush": Skin(
        ground=(0.38, 0.45, 0.15),
        greener=(0.24, 0.34, 0.10),
        blush=(0.40, 0.15, 0.11),
        cover=0.22,
        cover_sd=0.14,
        stripes=0.15,
        spots=0.7,
    ),
}
