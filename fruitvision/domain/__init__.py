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
    RegisterCheck,
    SizeDistribution,
    StratumEstimate,
    TreeSample,
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
from fruitvision.domain.lens import LensCalibration
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

__all__ = [
    "USUAL_DOUBLING_G",
    "Attention",
    "Ball",
    "Block",
    "BlockEstimate",
    "BlockInputs",
    "Bridge",
    "BridgeStep",
    "CaliperCheck",
    "CaliperReading",
    "CaliperedFruit",
    "Camera",
    "ClassCull",
    "ClassForecast",
    "ClassGrade",
    "Corners",
    "CropForecast",
    "DepthGrade",
    "Doubt",
    "Doubts",
    "Estimate",
    "Forecast",
    "Fruit",
    "GradeForecast",
    "GrowthRate",
    "HandCount",
    "HiddenFruitFactor",
    "LensCalibration",
    "Losses",
    "MadeWith",
    "MeasuredPhoto",
    "Photo",
    "Pick",
    "PickForecast",
    "PickPlan",
    "PointedReference",
    "Pollinizers",
    "Protocol",
    "Reference",
    "ReferenceKind",
    "RegisterCheck",
    "RegisteredTree",
    "Scale",
    "SizeClass",
    "SizeDistribution",
    "SizeTable",
    "Stratum",
    "StratumEstimate",
    "TreeId",
    "TreeKind",
    "TreePhoto",
    "TreeSample",
    "UseQuantiles",
    "VarietyCull",
    "VarietyGrade",
    "VisitedPlace",
    "WeekForecast",
    "WeighedFruit",
    "WeightRule",
    "merge_doubts",
]
