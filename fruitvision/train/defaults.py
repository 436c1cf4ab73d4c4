"""What the commands of training take where nothing is said."""

# Quality of packed pictures, 1 to 100. Our choice: no artefact is seen beside the photos' own.
QUALITY = 85
FORMAT = "webp"
# Processes that pack side by side. Our choice: any computer has two cores.
PACK_WORKERS = 2
DEVICES = ("cuda", "cpu")
DEVICE = "cuda"
