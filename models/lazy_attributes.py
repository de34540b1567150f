"""Attributes of a package that its modules define, imported on first access and not with the package.

A package that imports its modules while they import one another from it can't be imported by two threads at
once.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from typing import Any


def lazy(package: str, modules: Mapping[str, str]) -> Callable[[str], Any]:
    """Return the ``__getattr__`` of a package.

    Parameters
    ----------
    package : str
        Its ``__name__``.
    modules : mapping of str to str
        The module of the package that defines each attribute.

    Returns
    -------
    callable
        From the name of an attribute to the attribute.

    Raises
    ------
    AttributeError
        By what is returned, for any other name.
    """

    def find(name: str) -> Any:  # noqa: ANN401 - whatever the module defines
        if name not in modules:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return getattr(importlib.import_module(f"{package}.{modules[name]}"), name)

    return find
