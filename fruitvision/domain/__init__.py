"""The records that travel from step to step. Frozen, unit in the name, doubt beside the number.

Conventions
-----------
* `Estimate` is always P10, P50, P90: one chance in ten that the truth lies below `p10`, even
  chance for `p50`, one in ten that it lies above `p90`.
* A field that ends in `_error` is one standard error in the unit of its neighbour.
* Pixels: the centre of the top-left pixel is (0, 0), x to the right, y down.
* Dates are given, never read from the clock.
"""

from __future__ import annotations

from fruitvision.domain.change import (
    Change,
    Conflict,
    FieldChange,
    ThingKind,
    differing,
)
from fruitvision.domain.crop import (
    Attention,
    BlockEstimate,
    BlockInputs,
    CaliperCheck,
    ClassCull,
    ClassGrade,
    GrowthRate,
    HiddenFruitFactor,
    Losses,
    MeanSize,
    RegisterCheck,
    SizeDistribution,
    StratumEstimate,
    WeightRule,
)
from fruitvision.domain.doubt import (
    Doubt,
    Doubts,
    merge_doubts,
)
from fruitvision.domain.estimate import (
    Estimate,
    MadeWith,
)
from fruitvision.domain.field import (
    USUAL_DOUBLING_G,
    Block,
    CaliperedFruit,
    CaliperReading,
    HandCount,
    Pick,
    PickPlan,
    Pollinizers,
    Protocol,
    RegisteredTree,
    Stratum,
    TreeId,
    TreeKind,
    TreePhoto,
    VarietyCull,
    VarietyGrade,
    VisitedPlace,
    WeighedFruit,
)
from fruitvision.domain.forecast import (
    Bridge,
    BridgeStep,
    ClassForecast,
    CropForecast,
    Forecast,
    GradeForecast,
    PickForecast,
    SizeClass,
    SizeTable,
    UseQuantiles,
    WeekForecast,
)
from fruitvision.domain.frozen import FrozenForecast
from fruitvision.domain.job import (
    Job,
    JobKind,
    JobState,
)
from fruitvision.domain.learned import (
    Learned,
    LearnedChoice,
    LearnedNumber,
    Stage,
)
from fruitvision.domain.lens import LensCalibration
from fruitvision.domain.mapping import NameMapping
from fruitvision.domain.orders import OrderLine
from fruitvision.domain.packing import (
    BinTicket,
    CulledFruit,
    LotPart,
    PackedCartons,
    PackedLot,
    SeasonNote,
)
from fruitvision.domain.photo import (
    Ball,
    Camera,
    Corners,
    DepthGrade,
    Fruit,
    MeasuredPhoto,
    Photo,
    PointedReference,
    Reference,
    ReferenceKind,
    Scale,
)
from fruitvision.domain.price import CartonPrice
from fruitvision.domain.review import (
    AddedFruit,
    CheckedPhoto,
    Correction,
    GroundLine,
    Outline,
    PhotoEdit,
    RemovedFruit,
    ReshapedFruit,
    RowOfFruit,
    SideLimits,
)
from fruitvision.domain.rooms import USUAL_DAILY_SHARE, ColdRoom
from fruitvision.domain.sample import (
    FruitHeights,
    Packed,
    TreeCount,
    TreeSample,
)
from fruitvision.domain.walk import (
    KeptWalk,
    PlannedPlace,
    WalkPlan,
)

__all__ = [
    "USUAL_DAILY_SHARE",
    "USUAL_DOUBLING_G",
    "AddedFruit",
    "Attention",
    "Ball",
    "BinTicket",
    "Block",
    "BlockEstimate",
    "BlockInputs",
    "Bridge",
    "BridgeStep",
    "CaliperCheck",
    "CaliperReading",
    "CaliperedFruit",
    "Camera",
    "CartonPrice",
    "Change",
    "CheckedPhoto",
    "ClassCull",
    "ClassForecast",
    "ClassGrade",
    "ColdRoom",
    "Conflict",
    "Corners",
    "Correction",
    "CropForecast",
    "CulledFruit",
    "DepthGrade",
    "Doubt",
    "Doubts",
    "Estimate",
    "FieldChange",
    "Forecast",
    "FrozenForecast",
    "Fruit",
    "FruitHeights",
    "GradeForecast",
    "GroundLine",
    "GrowthRate",
    "HandCount",
    "HiddenFruitFactor",
    "Job",
    "JobKind",
    "JobState",
    "KeptWalk",
    "Learned",
    "LearnedChoice",
    "LearnedNumber",
    "LensCalibration",
    "Losses",
    "LotPart",
    "MadeWith",
    "MeanSize",
    "MeasuredPhoto",
    "NameMapping",
    "OrderLine",
    "Outline",
    "Packed",
    "PackedCartons",
    "PackedLot",
    "Photo",
    "PhotoEdit",
    "Pick",
    "PickForecast",
    "PickPlan",
    "PlannedPlace",
    "PointedReference",
    "Pollinizers",
    "Protocol",
    "Reference",
    "ReferenceKind",
    "RegisterCheck",
    "RegisteredTree",
    "RemovedFruit",
    "ReshapedFruit",
    "RowOfFruit",
    "Scale",
    "SeasonNote",
    "SideLimits",
    "SizeClass",
    "SizeDistribution",
    "SizeTable",
    "Stage",
    "Stratum",
    "StratumEstimate",
    "ThingKind",
    "TreeCount",
    "TreeId",
    "TreeKind",
    "TreePhoto",
    "TreeSample",
    "UseQuantiles",
    "VarietyCull",
    "VarietyGrade",
    "VisitedPlace",
    "WalkPlan",
    "WeekForecast",
    "WeighedFruit",
    "WeightRule",
    "differing",
    "merge_doubts",
]
