"""How long each step takes, and its memory: `fruitvision bench speed`, from a checkout."""
