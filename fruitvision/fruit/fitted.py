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
    "a_middle": 0.758,
    "b_outside": 1.643,
    "texture_core": -1.100,
    "texture_middle": -1.364,
    "likelihood_core": -4.348,
    "likelihood_outside": 5.143,
    "likelihood_far": -2.483,
    "rim_mean": 1.259,
    "inner_mean": 3.748,
    "inner_upper": -2.642,
    "full_rays_outside": -2.220,
    "centre_brighter": 2.792,
    "top_brighter": 7.886,
    "spread_inside": 6.779,
    "size_squared": -8.106,
    "response": 0.937,
}
VERIFY_OFFSET = -3.979
