"""A public function that refuses something says so: a docstring with sections has one on what it raises."""

from __future__ import annotations

import ast
from collections.abc import Iterator

import pytest

FOLDERS = ("models", "ingest", "dashboard")
SECTIONED = ("Parameters\n---", "Returns\n---", "Yields\n---")
Functions = dict[str, ast.FunctionDef]


def functions(tree: ast.Module) -> Functions:
    """Functions and methods of a module by name; methods as Class.method."""
    found = {each.name: each for each in tree.body if isinstance(each, ast.FunctionDef)}
    for kind in (each for each in tree.body if isinstance(each, ast.ClassDef)):
        found |= {f"{kind.name}.{each.name}": each for each in kind.body if isinstance(each, ast.FunctionDef)}
    return found


def own(function: ast.FunctionDef) -> Iterator[ast.AST]:
    """What a function itself does: not what it defines inside, nor what it tries and catches."""
    waiting = list(ast.iter_child_nodes(function))
    while waiting:
        node = waiting.pop()
        if isinstance(node, ast.FunctionDef | ast.Lambda | ast.ClassDef):
            continue
        yield node
        tried = node.body if isinstance(node, ast.Try) and node.handlers else []
        waiting += [each for each in ast.iter_child_nodes(node) if each not in tried]


def helper(call: ast.Call, name: str) -> str | None:
    """Name of the private function of the same module, or method of the same class, that is called."""
    called = call.func
    if isinstance(called, ast.Name) and called.id.startswith("_"):
        return called.id
    if isinstance(called, ast.Attribute) and ast.unparse(called.value) == "self" and "." in name:
        return f"{name.partition('.')[0]}.{called.attr}" if called.attr.startswith("_") else None
    return None


def refusing(found: Functions) -> set[str]:
    """Those that raise themselves or by a private helper of their module."""
    asks = {
        name: {helper(node, name) for node in own(each) if isinstance(node, ast.Call)}
        for name, each in found.items()
    }
    raising = {
        name
        for name, each in found.items()
        if any(isinstance(node, ast.Raise) and node.exc for node in own(each))
    }
    while more := {name for name in found if name not in raising and asks[name] & raising}:
        raising |= more
    return raising


def silent(tree: ast.Module) -> list[str]:
    """Public functions whose sectioned docstring does not say what they raise."""
    found = functions(tree)
    public = (name for name in refusing(found) if not any(part.startswith("_") for part in name.split(".")))
    docs = {name: ast.get_docstring(found[name]) or "" for name in public}
    return sorted(
        name
        for name, doc in docs.items()
        if any(section in doc for section in SECTIONED) and "Raises\n---" not in doc
    )


@pytest.mark.parametrize("folder", FOLDERS)
def test_what_a_public_function_raises_stands_in_its_docstring(root, folder):
    files = sorted((root / folder).rglob("*.py"))
    assert len(files) > 50
    found = {file.relative_to(root): silent(ast.parse(file.read_text(encoding="utf-8"))) for file in files}
    assert {str(file): names for file, names in found.items() if names} == {}


def test_a_silent_function_is_found_directly_and_through_its_helper():
    text = '''
def direct(x):
    """Do.

    Parameters
    ----------
    x : int
    """
    raise ValueError

def through(x):
    """Do.

    Returns
    -------
    int
    """
    return _helped(x)

def caught(x):
    """Do.

    Returns
    -------
    int
    """
    try:
        return _helped(x)
    except ValueError:
        return 0

def _helped(x):
    raise ValueError
'''
    assert silent(ast.parse(text)) == ["direct", "through"]
