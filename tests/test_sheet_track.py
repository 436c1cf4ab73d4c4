"""The track record of a sales sheet: what the packing house gave back, at the same stage."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from fruitvision.forecast.words import use_quantiles
from fruitvision.pipeline.sheet import sales_sheets, sold_as, track_records
from fruitvision.sheet import TrackRecord
from fruitvision.store import open_farm
from tests.test_learning_farm import make, packed
from tests.walked_farm import SETTINGS, add_good_block


def test_a_result_inside_and_one_outside_the_range_stand_on_sheets_of_that_stage(
    tmp_path: Path,
) -> None:
    with open_farm(tmp_path / "farm", name="Larkhill") as farm:
        add_good_block(farm, "Hill")
        add_good_block(farm, "Mill", variety="Fuji")
        # The pick is on 3 September: 17 days ahead, then 4.
        first, second = (make(farm, date(2026, 8, day)) for day in (17, 30))
        assert track_records(farm, first) == {}
        packed(farm, fruit=1.0)
        packed(farm, fruit=1.5, block="Mill")
        record = TrackRecord(inside=1, of=2, stage="15 to 30 days before the pick")
        assert track_records(farm, first) == {"Gala": record, "Fuji": record}
        late = track_records(farm, second)["Gala"]
        assert late.stage == "14 days or less before the pick"
        made = sales_sheets(
            sold_as(farm, first.forecast_id),
            use_quantiles(SETTINGS),
            track_records=track_records(farm, first),
        )
        assert {sheet.track_record for sheet in made.sheets} == {record}
