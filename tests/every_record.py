"""One of every kind of record that a store keeps, and all that a store says of them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

from fruitvision.domain import (
    BinTicket,
    Block,
    CaliperedFruit,
    CaliperReading,
    Camera,
    CartonPrice,
    ColdRoom,
    FrozenForecast,
    HandCount,
    JobKind,
    JobState,
    KeptWalk,
    LearnedChoice,
    LensCalibration,
    NameMapping,
    OrderLine,
    PackedLot,
    Pick,
    PickPlan,
    PointedReference,
    Protocol,
    ReferenceKind,
    RegisteredTree,
    RemovedFruit,
    SeasonNote,
    ThingKind,
    TreeId,
    TreeKind,
    VarietyCull,
    VarietyGrade,
    VisitedPlace,
    WalkPlan,
    WeighedFruit,
)
from fruitvision.store import Farm, FarmStore
from fruitvision.store.things import kept_block, kept_cold_room, kept_hand_count
from tests.farm_records import HILL, MILL, TREE, forecast, measured_photo, sha256, tree_photo

DAY = date(2026, 8, 12)
AT = datetime(2026, 8, 12, 9, 30, tzinfo=UTC)
# In another order by the numbers of their letters than in any language.
NAMES = ("Zeta", "alpha", "Éclair", "Beta", "_", "10", "9")


def save_every_kind(store: FarmStore) -> None:
    """Keep one of every kind, some twice."""
    store.save_farm(Farm(name="Larkhill"))
    store.save_blocks([HILL, MILL, *(_block(name) for name in NAMES)])
    _save_photos(store)
    _save_hand_work(store)
    _save_office(store)
    for version in ("1", "2", "1"):
        store.save_forecast(forecast(version))
    store.save_frozen_forecast(
        FrozenForecast(forecast_id="1", frozen_by="Ines", frozen_at=AT, note="")
    )
    job = store.ask_job(JobKind.MEASURE, by="Ines", at=AT, names={sha256("b"): "b.jpg"})
    store.next_job(AT)
    store.tell_progress(job.number, done=1, total=1, at=AT)
    store.close_job(job.number, JobState.DONE, at=AT, refused=[("b.jpg", "It is dark.", "Again.")])
    store.save_seen(kept_block("Hill"), HILL, _block("Hill"), who="Ines", at=AT)
    store.note_change(ThingKind.TABLE, "register", {"é": 1.0, "a": None}, None, who="Teo", at=AT)


def all_that_it_says(store: FarmStore) -> dict[str, Any]:
    """Every answer of a store, by its question."""
    photo = sha256("IMG_1.jpg")
    return {
        "farm": store.farm(),
        "blocks": store.blocks(),
        "measured": store.measured_photos(),
        "measured of block": store.measured_photos("Hill"),
        "measured just so": store.measured_photos_of("Hill", measured_photo().made_with),
        "unmeasured": store.unmeasured("Hill", measured_photo().made_with),
        "names": store.photo_names(),
        "stamps": store.block_stamps(),
        "stamp of block": store.block_stamps("Hill"),
        "tree photos": store.tree_photos(),
        "tree photos of block": store.tree_photos("Hill"),
        "references": store.pointed_references(photo),
        "edits": store.photo_edits_of(),
        "edits of block": store.photo_edits_of("Hill"),
        "latest edits": store.latest_photo_edits(2),
        "lenses": store.lenses(),
        "hand counts": store.hand_counts(),
        "calipers": store.caliper_readings(),
        "calipered": store.calipered_fruit("Hill"),
        "register": store.register(),
        "places": store.places_on_the_map(),
        "visited": store.visited_places("Hill"),
        "picks": store.pick_plans(),
        "weighed": store.weighed_fruit(),
        "culls": store.culls(),
        "grades": store.grades(),
        "walks": store.walks("Hill"),
        "walked": store.walked_since(DAY),
        "forecasts": store.forecasts(),
        "newest": tuple(store.newest_forecasts()),
        "frozen": store.frozen_forecasts(),
        "orders": store.order_book(),
        "prices": store.prices(),
        "mapped": store.mapped_names(),
        "tickets": store.bin_tickets(),
        "rooms": store.cold_rooms(),
        "lots": store.packed_lots(),
        "notes": store.season_notes(),
        "choices": store.learned_choices(),
        "changes": store.changes(),
        "jobs": store.jobs(),
        "left out": store.jobs_that_left_out(),
        "hanging": store.hanging_on("Hill"),
        "season": store.season_holds(date(2026, 1, 1), date(2026, 12, 31)),
    }


def one_fruit_more(store: FarmStore) -> None:
    """Count one fruit more on a tree, whatever its count is now."""
    kept = kept_hand_count(TREE, DAY, Protocol.TWO_FACES)
    store.save_each([(kept, _counted_more)], who="Ines", at=AT)


def _counted_more(count: HandCount | None) -> HandCount:
    assert count is not None
    return replace(count, fruit_count=count.fruit_count + 1)


def _block(name: str) -> Block:
    return replace(HILL, block_id=name, trunk_area_cm2=1 / 3, group="é, old")


def _save_photos(store: FarmStore) -> None:
    photos = [
        measured_photo("IMG_1.jpg", taken_at=AT),
        measured_photo("IMG_2.jpg", sized=False, fruit_count=0),
        measured_photo("img_3.jpg"),
    ]
    store.save_measured_photos(photos)
    store.save_measured_photos(photos[:1])
    store.save_tree_photos(
        [tree_photo("IMG_1.jpg"), tree_photo("IMG_2.jpg", face="B"), tree_photo("none.jpg")]
    )
    store.save_pointed_references(
        sha256("img_3.jpg"),
        [PointedReference(kind=ReferenceKind.BALL, size_mm=70.5, box_px=(1.0, 2.0, 30.0, 31.5))],
    )
    edits = store.save_photo_edits(
        sha256("IMG_1.jpg"),
        [RemovedFruit(x_px=4.0, y_px=5.0), RemovedFruit(x_px=1 / 3, y_px=5.0)],
        made_by="Ines",
        made_at=AT,
    )
    store.undo_photo_edit(edits[0].number, undone_by="Teo", undone_at=AT)
    store.save_lens(
        LensCalibration(
            phone="Orchard Phone One",
            lens="wide",
            focal_35mm=26.0,
            focal_mm=None,
            width_px=4000,
            height_px=3000,
            camera=Camera(focal_px=3004.6, middle_x_px=1999.5, middle_y_px=1499.5),
            focal_error_px=3.1,
            reprojection_px=0.31,
            distance_mm=420.0,
            square_mm=25.0,
            photos=12,
            corners=600,
            made_on=DAY,
        )
    )
    store.save_calipered_fruit(
        [CaliperedFruit(photo_id=sha256("IMG_1.jpg"), x_px=7.4, y_px=9.0, diameter_mm=70.1)]
    )


def _save_hand_work(store: FarmStore) -> None:
    store.save_hand_counts([HandCount(tree=TREE, fruit_count=3_000_000_000, counted_on=DAY)])
    store.save_caliper_readings(
        CaliperReading(tree=TREE, measured_on=DAY, diameter_mm=60.1 + number, fruit=name)
        for number, name in enumerate(("", "", *NAMES))
    )
    store.save_register(
        RegisteredTree(
            tree=TreeId("Hill", row, 2),
            kind=TreeKind.BEARING,
            stratum="old",
            bearing_share=0.5,
            variety="",
            latitude_deg=46.1 if row == 10 else None,
            longitude_deg=11.2 if row == 10 else None,
        )
        for row in (10, 9, 2)
    )
    store.save_visited_places([VisitedPlace(tree=TREE, visited_on=DAY, found=TreeKind.MISSING)])
    store.save_weighed_fruit(
        WeighedFruit(variety=name, weighed_on=DAY, diameter_mm=70.0, mass_g=150.3) for name in NAMES
    )
    store.start_walk(
        KeptWalk(plan=WalkPlan(block_id="Hill", places=(), seed=1), drawn_on=DAY, drawn_by="Ines")
    )


def _save_office(store: FarmStore) -> None:
    store.save_pick_plan("Hill", PickPlan(picks=(Pick(pick_date=DAY),)))
    store.save_culls(VarietyCull(variety=name, size_class="88", cull_share=0.1) for name in NAMES)
    store.save_grades([VarietyGrade(variety="Gala", size_class="88", grade="I", share=0.7)])
    store.save_order_book(
        OrderLine(customer=name, variety="Gala", classes="all", week=DAY, cartons=4)
        for name in NAMES
    )
    store.save_prices(CartonPrice(variety=name, per_carton=21.35) for name in NAMES)
    store.save_names(
        NameMapping(kind="block", written=name, meant="Hill", who="Ines", at=AT) for name in NAMES
    )
    store.save_bin_tickets(
        BinTicket(ticket=name, block_id="Hill", picked_on=DAY, bins=3.5) for name in NAMES
    )
    room = ColdRoom(name="North", bins=100)
    store.save_seen(kept_cold_room("North"), None, room, who="Ines", at=AT)
    store.save_packed_lots([PackedLot(lot="7", packed_on=DAY)])
    store.save_season_note(SeasonNote(block_id="Hill", season=2026, left_bins=2.0))
    store.save_learned_choice(LearnedChoice(block_id="Hill", accepted=False, who="Ines", at=AT))
