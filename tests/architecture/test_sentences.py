"""Sentences are made in one place: every reason has its words in models/text, and nothing below makes any."""

from __future__ import annotations

import ast
import re

import pytest

from baulk.models import text

PARTS = ("models", "ingest", "dashboard")
WORDS = 4  # a string of so many words is taken for a sentence
# how an exception says what is wrong: a sentence for the person, written where it is raised
EXCEPTION = re.compile(r"^(OutOfRange|NotFound|\w*Error|__init__|broken|_no_unit|_quantity)$")
CODE = re.compile(r"[a-z_·-]+(\.[a-z_·-]+){1,2}")  # a dot stands for what an f-string puts in
# arguments that hold what a publication or a table says, as it says it
QUOTED = {"source", "where", "mark"}
EXEMPT = {
    "models/calibrate/parameters.py": "the sources of priors, listed by `baulk doctor --sources`",
    "models/reason.py": "a type written as text",
    "models/provenance.py": "names of values in the list of `baulk doctor --sources`",
    "models/yard/kinship.py": "what the kinds of kinship mean, as the values of an Enum",
}


def sources(root, *parts):
    return {
        str(path.relative_to(root)): ast.parse(path.read_text())
        for part in parts
        for path in sorted((root / part).rglob("*.py"))
    }


def name_of(call):
    return getattr(call.func, "id", getattr(call.func, "attr", ""))


@pytest.fixture(scope="module")
def trees(root):
    return sources(root, *PARTS)


def codes_of(tree):
    """Codes that are written out in a call of Reason, and every string or pattern that could be one."""
    written, strings = set(), set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and name_of(node) == "Reason":
            code = next((each.value for each in node.keywords if each.arg == "code"), None)
            if isinstance(code, ast.Constant):
                written.add(code.value)
        if isinstance(node, ast.Constant | ast.JoinedStr) and CODE.fullmatch(could_be := words_of(node)):
            strings.add(re.escape(could_be).replace("·", "[a-z_-]+"))
    return written, strings


def test_every_code_has_its_words(trees):
    written = {(path, code) for path, tree in trees.items() for code in codes_of(tree)[0]}
    assert len(written) > 50
    assert {each for each in written if each[1] not in text.SENTENCES} == set()


def test_every_sentence_is_said_by_some_reason(trees):
    said = set().union(*(codes_of(tree)[1] for path, tree in trees.items() if "models/text/" not in path))
    codes = re.compile("|".join(said))
    assert {each for each in text.SENTENCES if not codes.fullmatch(each)} == set()


def test_codes_are_a_subject_and_a_name():
    assert [code for code in text.SENTENCES if not CODE.fullmatch(code) or "·" in code] == []


def words_of(node):
    """The text of a string or an f-string without the values in it."""
    if isinstance(node, ast.JoinedStr):
        return "".join(each.value if isinstance(each, ast.Constant) else "·" for each in node.values)
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else ""


class Sentences(ast.NodeVisitor):
    """Strings of some words that are neither docstrings nor what an exception or a source says."""

    def __init__(self):
        self.found = []

    def visit_Expr(self, node):
        if not words_of(node.value):
            self.generic_visit(node)

    def visit_Raise(self, _node):
        """What is raised says so in a sentence."""

    def visit_Call(self, node):
        if not EXCEPTION.match(name_of(node)):
            self.generic_visit(node)

    def visit_keyword(self, node):
        if node.arg not in QUOTED:
            self.generic_visit(node)

    def visit_Constant(self, node):
        self.visit_JoinedStr(node)

    def visit_JoinedStr(self, node):
        said = words_of(node)
        if len(re.findall(r"(?<!\S)[^\W\d_][\w'.,:;-]*(?!\S)", said)) >= WORDS:
            self.found.append((node.lineno, said))


def sentences_in(tree):
    found = Sentences()
    found.visit(tree)
    return found.found


def test_nothing_in_models_but_the_room_of_words_makes_a_sentence(root):
    made = {
        path: found
        for path, tree in sources(root, "models").items()
        if "models/text/" not in path and path not in EXEMPT and (found := sentences_in(tree))
    }
    assert made == {}


def test_the_exempt_still_need_it(root):
    trees = sources(root, "models")
    assert {path for path in EXEMPT if not sentences_in(trees[path])} == set()


@pytest.mark.parametrize(
    ("code", "found"),
    [
        ('x = "it fell faster than wood dries"', True),
        ('x = f"it fell {by} faster than wood"', True),
        ('"""It is told here what it does."""', False),
        ('raise OutOfRange("a size", f"of {x} mm is more than it has")', False),
        ('Floor(source="Wood Handbook chapter four table three")', False),
        ('x = "two words"', False),
        ('x = "timber/FER-03/pin-45/b/moisture"', False),
    ],
)
def test_what_counts_as_a_sentence(code, found):
    assert bool(sentences_in(ast.parse(code))) is found
