"""What the commands take where nothing is said. Imports nothing, so that `--help` is quick."""

# The committed sample farm has this seed.
SEED = 2026
PRESET = "sample-farm"
# Rays per px: the renderer's noise is then below that of a phone. Our choice.
SAMPLES = 96
# Works on every machine, if slowly.
VARIANT = "scalar_rgb"
