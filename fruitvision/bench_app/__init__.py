"""How fast the app is on a large invented farm: `fruitvision bench app`."""
