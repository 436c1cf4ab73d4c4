"""How well a detector finds fruit whose truth is known: boxes of people, or rendered photos."""
