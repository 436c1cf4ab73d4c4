"""How long each step takes and what memory it needs: `fruitvision bench speed`, scaling, commits.

Nothing here imports the program before it is used: `child` sets first whose program it is.
"""
