"""Templates of texts, carried out step by step: a template can be wrong, and still end soon and fill no memory.

The syntax is Jinja2's, whose parser is used. Its compiler is not: it turns a template into Python, where one call can
take hours or all memory (`'a' * 10**10`, a width of a billion, a loop in a loop). Here each node counts, each value has
a size, and only what is bounded beforehand is done at all.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import islice
from typing import Any

from jinja2 import Environment, TemplateAssertionError, Undefined, nodes

from pipeline.captions.limits import (
    FILTER_GUARDS,
    LIMITS,
    METHOD_GUARDS,
    TooMuchError,
    formatted,
    hold,
    power,
    product,
    size_of,
)

Names = dict[str, Any]


# ---- what is understood ------------------------------------------------------------------------------------

# Texts have these methods; each gives back no more than it takes, or is guarded in limits.py.
METHODS = frozenset((
    "upper", "lower", "title", "capitalize", "casefold", "swapcase", "strip", "lstrip", "rstrip", "removeprefix",
    "removesuffix", "split", "rsplit", "splitlines", "partition", "rpartition", "startswith", "endswith", "find",
    "rfind", "count", "isdigit", "isalpha", "isalnum", "isspace", "isupper", "islower", "isnumeric", "replace",
    "join", "center", "ljust", "rjust", "zfill",
))  # fmt: skip
# Jinja2's own, without those that are as another each time, that reach into objects, or that no caption needs.
FILTERS = frozenset((
    "abs", "capitalize", "center", "count", "d", "default", "e", "escape", "first", "float", "forceescape", "format",
    "indent", "int", "join", "last", "length", "list", "lower", "map", "max", "min", "reject", "replace", "required",
    "reverse", "round", "safe", "select", "sort", "string", "striptags", "title", "trim", "truncate", "unique",
    "upper", "urlencode", "wordcount", "wordwrap",
))  # fmt: skip
_STATEMENTS = (nodes.Template, nodes.Output, nodes.If, nodes.For, nodes.Assign, nodes.AssignBlock, nodes.With,
               nodes.FilterBlock)  # fmt: skip
_EXPRESSIONS = (nodes.TemplateData, nodes.Const, nodes.Name, nodes.List, nodes.Tuple, nodes.Dict, nodes.Pair,
                nodes.CondExpr, nodes.Filter, nodes.Test, nodes.Call, nodes.Keyword, nodes.Getattr, nodes.Getitem,
                nodes.Slice, nodes.Concat, nodes.Compare, nodes.Operand, nodes.And, nodes.Or, nodes.Not, nodes.Neg,
                nodes.Pos, nodes.Add, nodes.Sub, nodes.Mul, nodes.Div, nodes.FloorDiv, nodes.Mod,
                nodes.Pow)  # fmt: skip
_KNOWN = (*_STATEMENTS, *_EXPRESSIONS)
_BINARY: Mapping[type[nodes.BinExpr], Callable[[Any, Any], Any]] = {
    nodes.Add: operator.add, nodes.Sub: operator.sub, nodes.Div: operator.truediv, nodes.FloorDiv: operator.floordiv,
}  # fmt: skip
_COMPARE: Mapping[str, Callable[[Any, Any], Any]] = {
    "eq": operator.eq, "ne": operator.ne, "gt": operator.gt, "gteq": operator.ge, "lt": operator.lt,
    "lteq": operator.le, "in": lambda a, b: a in b, "notin": lambda a, b: a not in b,
}  # fmt: skip


def parse(source: str, environment: Environment) -> nodes.Template:
    """The tree of a template. Raises TemplateError, with the line, for what is none, not understood or too long."""
    hold(len(source))
    tree = environment.parse(source)
    for node in tree.find_all(nodes.Node):
        if not isinstance(node, _KNOWN) or (isinstance(node, nodes.For) and node.recursive):
            raise TemplateAssertionError(f"{type(node).__name__.lower()} is not to be had here", node.lineno)
        if isinstance(node, nodes.Filter) and node.name not in FILTERS:
            known = "is not to be had here" if node.name in environment.filters else "does not exist"
            raise TemplateAssertionError(f"the filter {node.name} {known}", node.lineno)
        if isinstance(node, nodes.Test) and node.name not in environment.tests:
            raise TemplateAssertionError(f"the test {node.name} does not exist", node.lineno)
        if isinstance(node, nodes.Call | nodes.Filter | nodes.Test) and (node.dyn_args or node.dyn_kwargs):
            raise TemplateAssertionError("* and ** are not to be had here", node.lineno)
        if isinstance(node, nodes.Call) and not _can_call(node):
            called = getattr(node.node, "name", None) or getattr(node.node, "attr", "this")
            raise TemplateAssertionError(f"{called} cannot be called, only range and methods of texts", node.lineno)
    return tree


def _can_call(node: nodes.Call) -> bool:
    if isinstance(node.node, nodes.Name):
        return node.node.name == "range"
    return isinstance(node.node, nodes.Getattr) and node.node.attr in METHODS


def fields_of(tree: nodes.Template) -> set[str]:
    """The names that a template reads and does not make itself."""
    found = list(tree.find_all(nodes.Name))
    return {n.name for n in found if n.ctx == "load"} - {n.name for n in found if n.ctx != "load"} - {"loop", "range"}


def evaluate(tree: nodes.Template, values: Mapping[str, Any], environment: Environment) -> str:
    """The text of a template filled with `values`, by name.

    Raises TooMuchError where that would cost more than LIMITS, else any exception that the template provokes.
    """
    return _Evaluation(environment).text(tree.body, dict(values))


# ---- carrying it out ---------------------------------------------------------------------------------------


class _Evaluation:
    """One text on its way; `left` is the work that it may still cost."""

    def __init__(self, environment: Environment) -> None:
        self.environment = environment
        self.left = LIMITS.work

    def spend(self, work: int) -> None:
        self.left -= work
        if self.left < 0:
            raise TooMuchError

    def kept(self, value: Any) -> Any:
        """A value that has just been made, as plain data, if its size is bounded."""
        if isinstance(value, str):
            value = value if not hasattr(value, "__html__") else str.__str__(value)
        elif isinstance(value, Iterable) and not isinstance(value, list | tuple | dict | Undefined):
            value = list(islice(value, LIMITS.size + 1))
        self.spend(size_of(value))
        return value

    # -- statements

    def text(self, body: Sequence[nodes.Node], names: Names) -> str:
        written: list[str] = []
        self.run(body, names, written)
        return "".join(written)

    def run(self, body: Sequence[nodes.Node], names: Names, written: list[str]) -> None:
        for node in body:
            self.spend(LIMITS.node)
            if isinstance(node, nodes.Output):
                for part in node.nodes:
                    written.append(self.kept(str(self.value(part, names))))
                if sum(map(len, written)) > LIMITS.size:
                    raise TooMuchError
                written[:] = ["".join(written)]
            elif isinstance(node, nodes.If):
                self.choose(node, names, written)
            elif isinstance(node, nodes.For):
                self.loop(node, names, written)
            elif isinstance(node, nodes.Assign):
                self.assign(node.target, self.value(node.node, names), names)
            elif isinstance(node, nodes.AssignBlock):
                text = self.text(node.body, dict(names))
                self.assign(node.target, self.filtered(node.filter, names, text) if node.filter else text, names)
            elif isinstance(node, nodes.With):
                inner = dict(names)
                for target, value in zip(node.targets, node.values, strict=True):
                    self.assign(target, self.value(value, names), inner)
                self.run(node.body, inner, written)
            else:
                assert isinstance(node, nodes.FilterBlock)
                written.append(self.filtered(node.filter, names, self.text(node.body, dict(names))))

    def choose(self, node: nodes.If, names: Names, written: list[str]) -> None:
        for branch in (node, *node.elif_):
            if self.value(branch.test, names):
                self.run(branch.body, names, written)
                return
        self.run(node.else_, names, written)

    def loop(self, node: nodes.For, names: Names, written: list[str]) -> None:
        items = self.kept(list(self.value(node.iter, names)))
        if node.test is not None:
            chosen = []
            for item in items:
                inner = dict(names)
                self.assign(node.target, item, inner)
                if self.value(node.test, inner):
                    chosen.append(item)
            items = chosen
        for at, item in enumerate(items):
            inner = dict(names)  # what is set in a loop is not seen after it, as in Jinja2
            inner["loop"] = {
                "index": at + 1, "index0": at, "first": at == 0, "last": at == len(items) - 1, "length": len(items),
                "revindex": len(items) - at, "revindex0": len(items) - at - 1,
            }  # fmt: skip
            self.assign(node.target, item, inner)
            self.run(node.body, inner, written)
        if not items:
            self.run(node.else_, names, written)

    def assign(self, target: nodes.Node, value: Any, names: Names) -> None:
        self.spend(LIMITS.node)
        if isinstance(target, nodes.Name):
            names[target.name] = value
        else:
            assert isinstance(target, nodes.Tuple)
            for one, part in zip(target.items, value, strict=True):
                self.assign(one, part, names)

    # -- expressions

    def value(self, node: nodes.Node, names: Names) -> Any:
        self.spend(LIMITS.node)
        return _VALUES[type(node)](self, node, names)

    def constant(self, node: nodes.Const, names: Names) -> Any:
        return self.kept(node.value)

    def data(self, node: nodes.TemplateData, names: Names) -> Any:
        return node.data

    def name(self, node: nodes.Name, names: Names) -> Any:
        return names[node.name] if node.name in names else self.environment.undefined(name=node.name)

    def sequence(self, node: nodes.List | nodes.Tuple, names: Names) -> Any:
        items = [self.value(item, names) for item in node.items]
        return self.kept(tuple(items) if isinstance(node, nodes.Tuple) else items)

    def mapping(self, node: nodes.Dict, names: Names) -> Any:
        return self.kept({self.value(pair.key, names): self.value(pair.value, names) for pair in node.items})

    def conditional(self, node: nodes.CondExpr, names: Names) -> Any:
        if self.value(node.test, names):
            return self.value(node.expr1, names)
        return self.value(node.expr2, names) if node.expr2 is not None else self.environment.undefined("no else")

    def concat(self, node: nodes.Concat, names: Names) -> Any:
        return self.kept("".join(self.kept(str(self.value(part, names))) for part in node.nodes))

    def compare(self, node: nodes.Compare, names: Names) -> Any:
        left = self.value(node.expr, names)
        for operand in node.ops:
            right = self.value(operand.expr, names)
            self.spend(size_of(left) + size_of(right))
            if not (found := _COMPARE[operand.op](left, right)):
                return found
            left = right
        return True

    def both(self, node: nodes.And, names: Names) -> Any:
        return self.value(node.left, names) and self.value(node.right, names)

    def either(self, node: nodes.Or, names: Names) -> Any:
        return self.value(node.left, names) or self.value(node.right, names)

    def negated(self, node: nodes.Not, names: Names) -> Any:
        return not self.value(node.node, names)

    def signed(self, node: nodes.Neg | nodes.Pos, names: Names) -> Any:
        value = self.value(node.node, names)
        return -value if isinstance(node, nodes.Neg) else +value

    def arithmetic(self, node: nodes.BinExpr, names: Names) -> Any:
        left, right = self.value(node.left, names), self.value(node.right, names)
        if isinstance(node, nodes.Mul):
            return self.kept(product(left, right))
        if isinstance(node, nodes.Pow):
            return self.kept(power(left, right))
        if isinstance(node, nodes.Mod):
            return self.kept(formatted(left, right) if isinstance(left, str) else left % right)
        return self.kept(_BINARY[type(node)](left, right))

    def attribute(self, node: nodes.Getattr, names: Names) -> Any:
        return self.entry_of(self.value(node.node, names), node.attr)

    def entry(self, node: nodes.Getitem, names: Names) -> Any:
        value = self.value(node.node, names)
        if not isinstance(node.arg, nodes.Slice):
            return self.entry_of(value, self.value(node.arg, names))
        start, stop, step = (
            None if part is None else self.value(part, names) for part in (node.arg.start, node.arg.stop, node.arg.step)
        )
        return self.kept(value[start:stop:step])

    def entry_of(self, value: Any, key: Any) -> Any:
        try:
            if isinstance(value, dict | str | list | tuple):
                return value[key]
        except (LookupError, TypeError):
            pass
        return self.environment.undefined(obj=value, name=key)

    def call(self, node: nodes.Call, names: Names) -> Any:
        args, keywords = self.arguments(node, names)
        if isinstance(node.node, nodes.Name):
            numbers = range(*args, **keywords)
            hold(len(numbers))
            return self.kept(list(numbers))
        assert isinstance(node.node, nodes.Getattr)
        text = self.value(node.node.node, names)
        if not isinstance(text, str):
            self.kept(str(text))  # which says so of a name that does not exist
            raise TypeError(f"{node.node.attr} is a method of texts")
        self.spend(len(text))
        guard = METHOD_GUARDS.get(node.node.attr)
        if guard is not None:
            guard(text, *args, **keywords)
        return self.kept(getattr(str, node.node.attr)(text, *args, **keywords))

    def arguments(self, node: nodes.Call | nodes.Filter | nodes.Test, names: Names) -> tuple[list[Any], Names]:
        keywords = {str(keyword.key): self.value(keyword.value, names) for keyword in node.kwargs}
        return [self.value(arg, names) for arg in node.args], keywords

    def filter(self, node: nodes.Filter, names: Names) -> Any:
        return self.filtered(node, names, None)

    def filtered(self, node: nodes.Filter, names: Names, block: str | None) -> Any:
        """A filter's value; `block`: the text of the block that it stands before."""
        if node.node is None:
            value = block
        elif isinstance(node.node, nodes.Filter):
            value = self.filtered(node.node, names, block)
        else:
            value = self.value(node.node, names)
        args, keywords = self.arguments(node, names)
        return self.apply(node.name, value, args, keywords)

    def apply(self, name: str, value: Any, args: list[Any], keywords: Names) -> Any:
        self.spend(LIMITS.node + size_of(value))
        if name == "map":
            if not args or keywords or args[0] not in FILTERS:
                raise TypeError("map takes the name of a filter")
            return self.kept([self.apply(args[0], item, args[1:], {}) for item in value])
        if name in ("select", "reject"):
            return self.kept([item for item in value if self.holds(item, args) is (name == "select")])
        if name == "format":
            return self.kept(formatted(value, keywords or tuple(args)))
        guard = FILTER_GUARDS.get(name)
        if guard is not None:
            guard(value, *args, **keywords)
        return self.kept(self.environment.call_filter(name, value, args, keywords))

    def holds(self, item: Any, args: list[Any]) -> bool:
        self.spend(LIMITS.node + size_of(item))
        return bool(self.environment.call_test(args[0], item, args[1:]) if args else item)

    def test(self, node: nodes.Test, names: Names) -> Any:
        value = self.value(node.node, names)
        args, keywords = self.arguments(node, names)
        self.spend(size_of(value) + size_of(args))
        return self.environment.call_test(node.name, value, args, keywords)


_VALUES: Mapping[type[nodes.Node], Callable[[_Evaluation, Any, Names], Any]] = {
    nodes.Const: _Evaluation.constant, nodes.TemplateData: _Evaluation.data, nodes.Name: _Evaluation.name,
    nodes.List: _Evaluation.sequence, nodes.Tuple: _Evaluation.sequence, nodes.Dict: _Evaluation.mapping,
    nodes.CondExpr: _Evaluation.conditional, nodes.Concat: _Evaluation.concat, nodes.Compare: _Evaluation.compare,
    nodes.And: _Evaluation.both, nodes.Or: _Evaluation.either, nodes.Not: _Evaluation.negated,
    nodes.Neg: _Evaluation.signed, nodes.Pos: _Evaluation.signed, nodes.Add: _Evaluation.arithmetic,
    nodes.Sub: _Evaluation.arithmetic, nodes.Mul: _Evaluation.arithmetic, nodes.Div: _Evaluation.arithmetic,
    nodes.FloorDiv: _Evaluation.arithmetic, nodes.Mod: _Evaluation.arithmetic, nodes.Pow: _Evaluation.arithmetic,
    nodes.Getattr: _Evaluation.attribute, nodes.Getitem: _Evaluation.entry, nodes.Call: _Evaluation.call,
    nodes.Filter: _Evaluation.filter, nodes.Test: _Evaluation.test,
}  # fmt: skip
