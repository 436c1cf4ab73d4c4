"""Every test can fail: it holds an assertion, or calls a helper that does."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parent
# Calls that fail by themselves: pytest's, numpy's and Playwright's own assertions.
ASSERTING = {"raises", "warns", "fail", "expect"}
# A helper may call a helper: so many calls deep an assertion is looked for. Our choice: deeper, and
# names that occur twice would let nearly everything pass.
DEEPEST = 2

Function = ast.FunctionDef | ast.AsyncFunctionDef


@cache
def functions() -> list[tuple[str, Function]]:
    """Functions and methods of all test modules, each with its module."""
    return [
        (str(path.relative_to(ROOT)), node)
        for path in sorted(ROOT.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, Function)
    ]


@cache
def by_name() -> dict[str, list[Function]]:
    """Helpers by name; those whose name occurs twice share a list."""
    found: dict[str, list[Function]] = {}
    for _, function in functions():
        found.setdefault(function.name, []).append(function)
    return found


@cache
def holds(function: Function) -> tuple[tuple[ast.Assert, ...], frozenset[str]]:
    """Assertions of a function, and the names of what it calls; its fixtures are called for it."""
    names = {argument.arg for argument in function.args.args}
    found = []
    for node in ast.walk(function):
        if isinstance(node, ast.Assert):
            found.append(node)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            names.add(node.func.id)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            names.add(node.func.attr)
    return tuple(found), frozenset(names)


def asserts(function: Function, *, deep: int = DEEPEST) -> bool:
    assertions, names = holds(function)
    if assertions or any(name in ASSERTING or name.startswith("assert_") for name in names):
        return True
    return deep > 0 and any(
        asserts(helper, deep=deep - 1) for name in names for helper in by_name().get(name, ())
    )


def holds_nothing(node: ast.expr) -> bool:
    """A condition that is true whatever the code does: a constant, or a tuple that is not empty."""
    return isinstance(node, ast.Constant) or (isinstance(node, ast.Tuple) and bool(node.elts))


def all_tests() -> list[tuple[str, Function]]:
    return [
        (f"{module}: {function.name}", function)
        for module, function in functions()
        if function.name.startswith("test_")
    ]


def test_every_test_asserts_something() -> None:
    silent = [name for name, function in all_tests() if not asserts(function)]
    assert silent == []


def test_no_assertion_is_true_by_itself() -> None:
    empty = [
        f"{name}, line {node.lineno}"
        for name, function in all_tests()
        for node in holds(function)[0]
        if holds_nothing(node.test)
    ]
    assert empty == []


def test_no_two_tests_of_a_module_share_a_name() -> None:
    """The second would take the place of the first, which then never runs."""
    names = [name for name, _ in all_tests()]
    assert sorted({name for name in names if names.count(name) > 1}) == []


def test_a_test_without_an_assertion_is_found() -> None:
    silent, loud, empty = ast.parse(
        "def test_a():\n    compute()\n"
        "def test_b():\n    with pytest.raises(ValueError):\n        compute()\n"
        "def test_c():\n    assert (1 == 2, 'words')\n"
    ).body
    assert isinstance(silent, Function)
    assert isinstance(loud, Function)
    assert isinstance(empty, Function)
    assert not asserts(silent)
    assert asserts(loud)
    assert isinstance(empty.body[0], ast.Assert)
    assert holds_nothing(empty.body[0].test)
