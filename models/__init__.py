"""The physics and the judgement, with no input and no output: arrays in, arrays and frozen types out."""
