"""Training of the learned detector: data, network, losses, export. The only part with torch."""
