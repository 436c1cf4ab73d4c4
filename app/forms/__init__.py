"""Forms that add something to the farm; each ends in one call into the pipeline."""
