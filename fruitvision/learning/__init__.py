"""Learning from the packing house: forecasts held against what came in, and what follows.

`stages` names how long before the pick; `matching` makes one result a block and season of bin
tickets and lots; `expected` and `packed_sizes` read a forecast's sizes against packed cartons;
`layers` compares number, size and culls; `prediction` and `shrinkage` are the statistics of what
lasts; `corrections` makes proposals of it; `score` is how it went.
"""
