"""Do forecasts keep their word? Timbers whose truth shares nothing with the program, and what was told.

`run.py` prints the tables. What makes truth imports nothing of `baulk` (tests/architecture/test_honesty.py);
only `shop_run` does, to fill a shop and to ask it.
"""

HELD_OUT_PHYSICS = "potential"
HELD_OUT_METER = "levelling"
SECOND_PHYSICS = "rings"  # and the meter "set wrong": timbers from 1000 on, that nobody looks at while tuning
