"""The physics and the judgement, without any input or output: arrays in, arrays and small frozen types out."""
