"""An orchard with known truth. The only place that imports mitsuba."""
