"""Records of an invented farm, small and complete, for the tests of store and export."""

from __future__ import annotations

import hashlib
from datetime import date, datetime

from fruitvision.domain import (
    Block,
    ClassForecast,
    CropForecast,
    Doubt,
    Estimate,
    Forecast,
    Fruit,
    MadeWith,
    MeasuredPhoto,
    Photo,
    Reference,
    Scale,
    TreeId,
    TreePhoto,
)

MADE_WITH = MadeWith(version="0.1.0", detector="classical 1", settings_sha256="0123456789ab")
TREE = TreeId("Hill", 3, 17)
HILL = Block(
    block_id="Hill",
    variety="Gala",
    positions=3000,
    missing=90,
    pollinizers=120,
    pick_date=date(2026, 9, 1),
)
MILL = Block(block_id="Mill", variety="Fuji", positions=800)


def sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def fruit(number: int, photo_id: str, *, diameter_mm: float | None = 71.3) -> Fruit:
    return Fruit(
        photo_id=photo_id,
        fruit_id=f"{number:03d}",
        centre_x_px=100.25 + number,
        centre_y_px=200.1,
        width_px=1 / 3 * 100,
        height_px=30.0,
        angle_deg=-12.5,
        diameter_px=33.0,
        diameter_mm=diameter_mm,
        diameter_error_mm=None if diameter_mm is None else 4.2,
        visible_share=0.9,
        score=0.75,
        on_this_row=number % 3 != 0,
        doubts=(Doubt.NOT_SIZED, Doubt.PARTLY_HIDDEN) if diameter_mm is None else (),
    )


def measured_photo(
    name: str = "IMG_1.jpg",
    *,
    fruit_count: int = 3,
    taken_at: datetime | None = None,
    made_with: MadeWith = MADE_WITH,
    sized: bool = True,
) -> MeasuredPhoto:
    photo_id = sha256(name)
    doubts = () if sized else (Doubt.NO_MARKER,)
    side_px = 87.5
    marker = Reference(
        marker_id=7,
        side_mm=150.0,
        corners_px=((10.0, 10.5), (97.5, 10.5), (97.5, 98.0), (10.0, 98.0)),
        side_px=side_px,
        tilt_deg=4.0,
        mm_per_px=150 / side_px,
        mm_per_px_error=0.01,
    )
    scale = Scale(mm_per_px=150 / side_px, mm_per_px_error=0.01, distance_mm=2300.0)
    return MeasuredPhoto(
        photo=Photo(
            photo_id=photo_id,
            name=name,
            width_px=1600,
            height_px=1200,
            taken_at=taken_at,
            latitude_deg=46.5,
            lens="phone 5.7 mm",
            focal_35mm=26.0,
            sharpness=812.5,
            brightness=0.41,
            doubts=(Doubt.NO_DATE,) if taken_at is None else (),
        ),
        references=(marker,) if sized else (),
        scale=scale if sized else None,
        fruit=tuple(
            fruit(number, photo_id, diameter_mm=71.3 if sized else None)
            for number in range(fruit_count)
        ),
        doubts=doubts,
        made_with=made_with,
        remarks=() if sized else ("Markers 3 and 7 differ by 9 %.",),
    )


def tree_photo(name: str, *, face: str = "A") -> TreePhoto:
    return TreePhoto(tree=TREE, face=face, photo_id=sha256(name), walked_on=date(2026, 8, 12))


def about(value: float) -> Estimate:
    """10 % down and up."""
    return Estimate(p10=value - value / 10, p50=value, p90=value + value / 10)


def crop(
    name: str,
    variety: str,
    *,
    cartons: tuple[float, ...] = (120.0, 340.0),
    pick_date: date | None = date(2026, 9, 1),
    doubts: tuple[Doubt, ...] = (Doubt.DEFAULT_GROWTH, Doubt.NO_CALIPERS),
) -> CropForecast:
    total = sum(cartons)
    return CropForecast(
        name=name,
        variety=variety,
        pick_date=pick_date,
        fruit=about(227_664.0),
        diameter_mm=about(72.4) if cartons else None,
        bins=about(105.0),
        tonnes=about(39.8),
        cartons=about(total),
        classes=tuple(
            ClassForecast(
                size_class=f"{70 + 5 * number}-{75 + 5 * number}",
                share=about(count / total),
                cartons=about(count),
            )
            for number, count in enumerate(cartons)
        ),
        doubts=doubts,
    )


def forecast(forecast_id: str = "2026-08-17-1", *, farm: str = "Lindengrund") -> Forecast:
    return Forecast(
        forecast_id=forecast_id,
        farm=farm,
        made_on=date(2026, 8, 17),
        size_table="classes_5mm",
        blocks=(
            crop("Hill", "Gala"),
            crop("Mill", "Fuji", cartons=(), pick_date=None, doubts=(Doubt.NO_SIZES,)),
        ),
        varieties=(
            crop("Gala", "Gala"),
            crop("Fuji", "Fuji", cartons=(), pick_date=None, doubts=(Doubt.NO_SIZES,)),
        ),
        total=crop(farm, "", doubts=(Doubt.DEFAULT_GROWTH, Doubt.NO_SIZES)),
        next_action="Hand-count 5 more trees in Mill.",
        made_with=MADE_WITH,
    )
