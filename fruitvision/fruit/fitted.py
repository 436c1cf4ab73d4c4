"""Constants of the classical detector that were fitted, not thought out.

Logistic regressions on 70 to 110 whole-tree row photos of apple and pear with boxes drawn by people
(orchard of the Institute of Horticulture, Dobele, Latvia; CC BY 4.0; Kodors et al. 2023, Rapid
prototyping of pear detection neural network with YOLO architecture in photographs, Environment.
Technology. Resources 1:81-85, doi 10.17770/etr2023vol1.7293). Positive: more likely fruit. Terms
that go together share their weight, so a single sign may look odd.
"""

# Per pixel: colour against the median leaf (L, a, b in spans), texture T, and their products.
LIKELIHOOD = {
    "L": -0.6475,
    "a": 1.8319,
    "b": 2.7473,
    "LL": 0.5485,
    "aa": 0.2438,
    "bb": -0.0851,
    "La": 1.382,
    "Lb": 2.9279,
    "ab": -0.3954,
    "T": 0.234,
    "TL": 0.5377,
    "Ta": 0.406,
    "Tb": 0.2147,
    "TT": -0.2942,
}
LIKELIHOOD_OFFSET = -0.298

# Per pixel and radius: which circles are worth a closer look.
CANDIDATE = {
    "rim_colour": 3.9,
    "inside_likelihood": 14.6,
    "rim_likelihood": -13.0,
    "inside_texture": -0.8,
}

# Per circle: the facts of `verify.circle_facts`.
VERIFY = {
    "a_middle": 0.651,  # redder than the leaves
    "b_outside": 1.626,
    "texture_core": -1.148,  # smooth inside
    "texture_middle": -1.064,
    "likelihood_core": -2.963,  # counted in `response` already
    "likelihood_outside": 6.553,
    "likelihood_far": -2.535,
    "rim_mean": 1.678,  # a rim all around
    "inner_mean": 3.396,  # lenticels, stripes, glints ...
    "inner_upper": -2.091,  # ... but no hard edges inside
    "full_rays_outside": -2.607,  # not one patch of a larger area
    "centre_brighter": 2.323,  # lit like a ball
    "top_brighter": 8.08,  # light comes from above
    "spread_inside": 6.191,  # shaded like a ball
    "size_squared": -7.429,  # as large as the other fruit
    "response": 0.91,
    "hue": -0.454,
    "chroma": -1.437,
}
VERIFY_OFFSET = -5.32

# Log of 1 + squared distance in colour from the sure fruit of the same photo.
UNLIKE_WEIGHT = -0.604
UNLIKE_OFFSET = 0.678
