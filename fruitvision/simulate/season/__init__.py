"""The season layer: a farm and its fruit from bloom to bin, without pictures. Numpy only."""
