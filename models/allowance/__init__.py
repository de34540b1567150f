"""What a piece must be larger by than its finished size, and whether that size still comes out of a timber.

One sum behind every answer: the verdict, the size to rough out to, the size plan, the plan from a timber, the
purchase plan and the drawing for the saw.
"""
