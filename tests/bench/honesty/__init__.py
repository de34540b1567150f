"""Do forecasts keep their word? Timbers whose truth shares nothing with the program, and what a shop was told.

`run.py` prints the tables; `DEVELOPERS.md` says how to read them. What makes truth (`TRUTH` below) imports
nothing of `baulk`; only `shop_run` does, to fill a shop and to ask it.
"""

TRUTH = (
    "baselines",
    "climates",
    "ends",
    "grid",
    "mechanics",
    "meters",
    "physics_bound",
    "physics_front",
    "physics_potential",
    "physics_two_phase",
    "scores",
    "timbers",
    "truth",
)
HELD_OUT_PHYSICS = "potential"
HELD_OUT_METER = "levelling"
