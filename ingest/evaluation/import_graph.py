"""Which modules of a package a module needs, read from its source without running anything."""

from __future__ import annotations

import ast
from importlib.resources.abc import Traversable
from typing import Final, TypeAlias

Parts: TypeAlias = tuple[str, ...]  # a module's name below the package: () is the package itself

_TABLES: Final = ".csv"


def files(folder: Traversable, name: str, first: str) -> dict[str, bytes]:
    """Return the sources that a module of a package imports from that package, at any depth, and its own.

    Imports at the top of a module and inside functions count; those for the type checker only do not, since
    they are never carried out. A sub-package brings its ``__init__.py`` and the tables that lie in it.

    Parameters
    ----------
    folder : Traversable
        Where the package lies.
    name : str
        Its dotted name, such as ``baulk.ingest``.
    first : str
        The module to begin with, by its name below the package.

    Returns
    -------
    dict
        Contents by path inside the folder, such as ``wire/timestamps.py``.

    Raises
    ------
    FileNotFoundError
        If the package has no such module.
    """
    found: dict[str, bytes] = {}
    begin = tuple(first.split("."))
    if _located(folder, begin) is None:
        raise FileNotFoundError(f"{name} has no module {first}, from which its imports are to be followed")
    waiting: list[Parts] = [begin]
    seen: set[Parts] = set()
    while waiting:
        parts = waiting.pop()
        if parts in seen:
            continue
        seen.add(parts)
        located = _located(folder, parts)
        if located is None:
            continue  # what is imported is a name inside a module, not a module
        path, inside = located
        source = found["/".join(path)] = folder.joinpath(*path).read_bytes()
        if inside == parts:
            found |= _tables(folder, parts)
        waiting += [parts[:-1]] if parts else []
        imports = _Imports(tuple(name.split(".")), inside)
        imports.visit(ast.parse(source))
        waiting += imports.found
    return found


def _located(folder: Traversable, parts: Parts) -> tuple[Parts, Parts] | None:
    """Return the path of a module's source and the sub-package that it lies in, or None."""
    if folder.joinpath(*parts, "__init__.py").is_file():
        return (*parts, "__init__.py"), parts
    if parts and folder.joinpath(*parts[:-1], f"{parts[-1]}.py").is_file():
        return (*parts[:-1], f"{parts[-1]}.py"), parts[:-1]
    return None


def _tables(folder: Traversable, parts: Parts) -> dict[str, bytes]:
    beside = [each for each in folder.joinpath(*parts).iterdir() if each.name.endswith(_TABLES)]
    return {"/".join((*parts, each.name)): each.read_bytes() for each in beside}


class _Imports(ast.NodeVisitor):
    """Collects what a module imports from its own package.

    Parameters
    ----------
    package : tuple of str
        The package's name.
    inside : tuple of str
        The sub-package that the module lies in, for relative imports.
    """

    def __init__(self, package: Parts, inside: Parts) -> None:
        self._package = package
        self._inside = inside
        self.found: list[Parts] = []

    def visit_If(self, node: ast.If) -> None:
        """Leave out what stands under TYPE_CHECKING."""
        if isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            for each in node.orelse:
                self.visit(each)
        else:
            self.generic_visit(node)

    def visit_Import(self, node: ast.Import) -> None:
        """Take ``import package.module``."""
        for each in node.names:
            self._add(tuple(each.name.split(".")))

    def visit_ImportFrom(self, node: ast.ImportFrom) -> None:
        """Take ``from package import module`` and ``from package.module import name``."""
        module = tuple(node.module.split(".")) if node.module else ()
        if node.level:
            module = (*self._package, *self._inside[: len(self._inside) + 1 - node.level], *module)
        self._add(module)
        for each in node.names:
            self._add((*module, each.name))

    def _add(self, name: Parts) -> None:
        size = len(self._package)
        if name[:size] == self._package:
            self.found.append(name[size:])
