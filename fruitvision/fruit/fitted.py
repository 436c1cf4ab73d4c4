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
CANDIDATE = {
    "rim_colour": 3.9,
    "inside_likelihood": 14.6,
    "rim_likelihood": -13.0,
    "inside_texture": -0.8,
}
VERIFY = {
    "a_middle": 0.651,
    "b_outside": 1.626,
    "texture_core": -1.148,
    "texture_middle": -1.064,
    "likelihood_core": -2.963,
    "likelihood_outside": 6.553,
    "likelihood_far": -2.535,
    "rim_mean": 1.678,
    "inner_mean": 3.396,
    "inner_upper": -2.091,
    "full_rays_outside": -2.607,
    "centre_brighter": 2.323,
    "top_brighter": 8.080,
    "spread_inside": 6.191,
    "size_squared": -7.429,
    "response": 0.910,
    "hue": -0.454,
    "chroma": -1.437,
}
VERIFY_OFFSET = -5.320
UNLIKE_WEIGHT = -0.604
UNLIKE_OFFSET = 0.678
