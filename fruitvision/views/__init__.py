"""Photos of one tree face from places a step apart: where each stood, which fruit are the same."""
