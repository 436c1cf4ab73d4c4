"""What a farm keeps: one folder with a database and the photos, which can be copied as it is.

::

    FARM/fruitvision.sqlite        records
    FARM/database.toml             instead of it: which PostgreSQL server has the records (`place`)
    FARM/photos/<sha256>.<ext>     copies of the photo files, named after their content
    FARM/work.lock, work.log       of the process that measures in the background; may be deleted

Records go in, records come out. A save is one transaction, and the same save again changes nothing.
Close the store before you copy the folder: what was written last is then in the one file.

Which result of a photo counts: results are kept apart by photo, version, detector and settings. To
measure again with other settings adds a result; the one that was saved last counts.
"""

from __future__ import annotations

from fruitvision.store.farm_store import FarmStore, open_farm
from fruitvision.store.field import Farm
from fruitvision.store.place import DATABASE_NAME, has_farm
from fruitvision.store.protocol import Store

__all__ = ["DATABASE_NAME", "Farm", "FarmStore", "Store", "has_farm", "open_farm"]
