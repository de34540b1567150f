"""Memory that a process no longer uses, handed back to the machine."""

from __future__ import annotations

import ctypes
import gc


def give_back() -> bool:
    """Hand back what was freed; the C library keeps it otherwise, after an evaluation some 60 MB.

    Returns
    -------
    bool
        Whether the C library of this machine can (GNU's can).
    """
    gc.collect()
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError):
        return False
    trim(0)
    return True
