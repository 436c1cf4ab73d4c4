"""Numbers of `rim.py`, written by `python -m tests.bench.calibrate_outlines`.

A logistic regression on edges along rays: is it the rim? Features as in `edge.FEATURES`.
"""

from __future__ import annotations

import numpy as np

FEATURE_MEANS = np.array(
    [
        -0.08440,  # hardness
        0.64943,  # square to the ray
        0.34949,  # own colour before
        0.15961,  # own colour behind
        -0.06984,  # brightness behind
        0.08984,  # green behind
        0.39739,  # saturated behind
        0.16227,  # change of brightness
        0.30222,  # hardness in light
        0.03662,  # hardness x square
        0.51865,  # own before x behind
        0.52001,  # hardness squared
        0.06302,  # green squared
        -0.01699,  # brightness x green behind
        0.03128,  # saturated x green behind
    ]
)
FEATURE_SPREADS = np.array(
    [
        0.71616,  # hardness
        0.23900,  # square to the ray
        0.74859,  # own colour before
        0.81040,  # own colour behind
        0.31131,  # brightness behind
        0.23441,  # green behind
        0.11839,  # saturated behind
        0.20869,  # change of brightness
        0.26546,  # hardness in light
        0.51549,  # hardness x square
        0.54238,  # own before x behind
        0.66566,  # hardness squared
        0.05882,  # green squared
        0.07753,  # brightness x green behind
        0.11440,  # saturated x green behind
    ]
)
FEATURE_WEIGHTS = np.array(
    [
        -0.85916,  # hardness
        0.16505,  # square to the ray
        0.55415,  # own colour before
        -0.67938,  # own colour behind
        -0.15555,  # brightness behind
        0.27991,  # green behind
        -0.23029,  # saturated behind
        -0.11431,  # change of brightness
        0.86182,  # hardness in light
        1.56251,  # hardness x square
        -0.57138,  # own before x behind
        -0.40480,  # hardness squared
        0.13030,  # green squared
        -0.14980,  # brightness x green behind
        -0.37120,  # saturated x green behind
    ]
)
INTERCEPT = -3.70132
