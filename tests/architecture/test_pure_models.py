"""Models hold no state of the process: what a function of them answers depends on its arguments alone."""

from __future__ import annotations

import ast

import pytest

CHANGES = {
    "append", "extend", "insert", "remove", "pop", "popitem", "clear", "update", "setdefault", "add",
    "discard", "sort", "reverse", "appendleft", "extendleft", "popleft", "rotate", "fill", "put",
    "resize", "setflags", "__setitem__", "__delitem__", "__setattr__", "intersection_update",
    "difference_update", "symmetric_difference_update",
}  # fmt: skip
FUNCTIONS = (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda)


def stored(node):
    """Names that a piece of code binds itself, its nested functions left out."""
    found = set()
    for each in ast.iter_child_nodes(node):
        if isinstance(each, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
            found.add(each.name)
            continue
        if isinstance(each, ast.Name) and isinstance(each.ctx, (ast.Store, ast.Del)):
            found.add(each.id)
        if isinstance(each, (ast.Import, ast.ImportFrom)):
            found |= {(one.asname or one.name).partition(".")[0] for one in each.names}
        if isinstance(each, ast.ExceptHandler) and each.name:
            found.add(each.name)
        if isinstance(each, (ast.MatchAs, ast.MatchStar)) and each.name:
            found.add(each.name)
        if not isinstance(each, ast.Lambda):
            found |= stored(each)
    return found


def arguments(function):
    given = function.args
    every = [*given.posonlyargs, *given.args, *given.kwonlyargs, given.vararg, given.kwarg]
    return {each.arg for each in every if each is not None}


def root(node):
    """The name that a chain such as ``table.rows[0].value`` begins with."""
    while isinstance(node, (ast.Attribute, ast.Subscript, ast.Starred)):
        node = node.value
    return node.id if isinstance(node, ast.Name) else None


def targets(node):
    """What a statement writes into, taken apart."""
    match node:
        case ast.Assign(targets=found) | ast.Delete(targets=found):
            given = found
        case ast.AugAssign(target=found) | ast.AnnAssign(target=found) | ast.For(target=found):
            given = [found]
        case _:
            given = []
    for each in given:
        yield from each.elts if isinstance(each, (ast.Tuple, ast.List)) else [each]


def state(source):
    """Lines in which a function changes what belongs to its module, each with what it is."""
    module = ast.parse(source)
    own = stored(module)  # constants and imports of the module
    bound = {
        name
        for each in module.body
        for target in targets(each)
        if (name := root(target)) and isinstance(target, ast.Name)
    }
    found = []

    def look(node, local):
        if isinstance(node, FUNCTIONS):
            local |= arguments(node) | stored(node)
            local -= {name for each in ast.walk(node) if isinstance(each, ast.Global) for name in each.names}
        for each in ast.iter_child_nodes(node):
            if isinstance(each, ast.Global):
                found.append((each.lineno, f"global {', '.join(each.names)}"))
            for target in targets(each):
                name = root(target)
                if not isinstance(target, ast.Name) and name in own - local:
                    found.append((each.lineno, f"writes into {name}"))
            if (
                isinstance(each, ast.Call)
                and isinstance(each.func, ast.Attribute)
                and each.func.attr in CHANGES
                and (name := root(each.func)) in bound - local
            ):
                found.append((each.lineno, f"{name}.{each.func.attr}"))
            look(each, local.copy())

    for each in module.body:
        if isinstance(each, (*FUNCTIONS, ast.ClassDef)):
            look(each, set())
    return found


def test_no_module_of_the_models_changes_anything_of_its_own_at_run_time(root):
    files = sorted((root / "models").rglob("*.py"))
    assert len(files) > 50
    found = {
        f"{path.relative_to(root)}:{line} {what}"
        for path in files
        for line, what in state(path.read_text(encoding="utf-8"))
    }
    assert found == set()


@pytest.mark.parametrize(
    ("source", "what"),
    [
        ("_in_use = [None]\ndef use(own):\n    _in_use[0] = own\n", "writes into _in_use"),
        ("_seen: dict[str, int] = {}\ndef see(name):\n    _seen[name] = 1\n", "writes into _seen"),
        ("_seen = set()\ndef see(name):\n    _seen.add(name)\n", "_seen.add"),
        ("_most = None\ndef use(most):\n    global _most\n    _most = most\n", "global _most"),
        ("_rows = []\nclass Table:\n    def keep(self, row):\n        _rows.append(row)\n", "_rows.append"),
        (
            "_rows = {}\ndef keep(row):\n    def inside():\n        del _rows[row]\n    inside()\n",
            "writes into",
        ),
        ("_rows = {}\nkeep = 1\ndef f():\n    return [_rows.update(x) for x in (1,)]\n", "_rows.update"),
        ("from a import b\ndef f():\n    b.size += 1\n", "writes into b"),
        ("COUNT = [0]\ndef f():\n    COUNT[0] += 1\n", "writes into COUNT"),
        ("class Table:\n    rows = []\ndef f():\n    Table.rows = [1]\n", "writes into Table"),
    ],
)
def test_the_check_catches_it(source, what):
    assert what in " ".join(told for _, told in state(source))


@pytest.mark.parametrize(
    "source",
    [
        "ROWS = (1, 2)\ndef f():\n    rows = list(ROWS)\n    rows.append(3)\n    return rows\n",
        "def f(rows):\n    rows[0] = 1\n    def g(x):\n        rows[x] = x\n    g(1)\n",
        "import numpy as np\ndef f(x):\n    np.add(x, 1)\n    y = np.empty(3)\n    y[:] = 1\n",
        "class A:\n    def f(self):\n        self.x = 1\n        for self.y in (1,):\n            pass\n",
        "ROWS = {}\nROWS['a'] = 1\nROWS.update(b=2)\n",  # while it is made
        "x = []\ndef f():\n    x = []\n    x.append(1)\n    with open(x) as y:\n        y.add(1)\n",
    ],
)
def test_what_belongs_to_a_call_is_its_own_to_change(source):
    assert state(source) == []


TABLES = {"get", "names", "synonyms", "rows", "table", "BUILT_IN"}


def built_in(source):
    """Lines that ask the built-in species or use classes by way of their module."""
    code = ast.parse(source)
    modules = {
        one.asname or one.name
        for each in ast.walk(code)
        if isinstance(each, ast.ImportFrom) and each.module == "baulk.models"
        for one in each.names
        if one.name in {"species", "use_class"}
    }
    return [
        each.lineno
        for each in ast.walk(code)
        if isinstance(each, ast.Attribute)
        and isinstance(each.value, ast.Name)
        and each.value.id in modules
        and each.attr in TABLES
    ]


def test_what_has_a_shop_asks_the_tables_of_the_shop(root):
    found = {
        (path.stem, line)
        for part in ("ingest", "dashboard")
        for path in sorted((root / part).rglob("*.py"))
        for line in built_in(path.read_text(encoding="utf-8"))
        if "demo" not in path.relative_to(root).parts  # its yard is invented with the built-in woods
    }
    # one-off answers have no shop; opening a shop begins with the built-in tables; a process that is started
    # ahead dries a small piece so that compiled code is read, whatever the wood
    assert {stem for stem, _ in found} <= {"size", "weight", "calculators", "shop", "worker_jobs"}


def test_that_check_catches_it_under_any_name():
    assert built_in("from baulk.models import species as table\ndef f(n):\n    return table.get(n)\n") == [3]
    assert built_in("from baulk.models import use_class\nUSES = use_class.names()\n") == [2]
    assert built_in("def f(shop, n):\n    return shop.woods.species.get(n)\n") == []
