"""Names of a package that lie in its parts, loaded when somebody asks for them and not with the package.

A package that loads its parts while they ask it for one another can't be loaded by two threads at once.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from typing import Any


def late(package: str, where: Mapping[str, str]) -> Callable[[str], Any]:
    """Return the ``__getattr__`` of a package.

    Parameters
    ----------
    package : str
        Its ``__name__``.
    where : mapping of str to str
        The part in which each name lies.

    Returns
    -------
    callable
        From a name to what it names.

    Raises
    ------
    AttributeError
        By what is returned, for any other name.
    """

    def find(name: str) -> Any:  # noqa: ANN401 - whatever it names
        if name not in where:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return getattr(importlib.import_module(f"{package}.{where[name]}"), name)

    return find
