"""The page Score: how forecasts went, and what was learned of it."""
