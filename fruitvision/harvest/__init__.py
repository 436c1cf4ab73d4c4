"""What a harvest needs, and how it goes on: bins and pickers by pass and day, bins in the lanes,
cold rooms, passes that are moved, and what bin tickets say of the rest.

need.py       bins and picker-days, drawn and summed up
passes.py     the passes of a forecast drawn again, and the days of each
calendar.py   passes, their parts and days, and what is short on which day
bin_stock.py  how many empty bins go where and when, and the most that stand in the orchard at once
rooms.py      which cold room takes what, and what is more than they take in a day
moves.py      another day or share for a pass
tickets.py    which pass a bin ticket belongs to, and which passes are finished
condition.py  draws that are brought in line with what was seen
rest.py       what is still to come of every pass, drawn, by what came in
update.py     that summed up by pass, block, variety and farm
"""

from __future__ import annotations

from fruitvision.harvest.bin_stock import BinPlace, BinsOut, BinStock
from fruitvision.harvest.calendar import (
    HarvestCalendar,
    HarvestDay,
    PassDay,
    PassPlan,
    harvest_calendar,
)
from fruitvision.harvest.need import USUAL_FRUIT_G, Need, picker_days
from fruitvision.harvest.passes import pick_days
from fruitvision.harvest.rooms import Arrival, RoomDay, RoomPlan, RoomUse, fill_rooms

__all__ = [
    "USUAL_FRUIT_G",
    "Arrival",
    "BinPlace",
    "BinStock",
    "BinsOut",
    "HarvestCalendar",
    "HarvestDay",
    "Need",
    "PassDay",
    "PassPlan",
    "RoomDay",
    "RoomPlan",
    "RoomUse",
    "fill_rooms",
    "harvest_calendar",
    "pick_days",
    "picker_days",
]
