"""Device source made small for a board: the same program with fewer names.

MicroPython keeps every name of a loaded module in RAM for ever: of constants, of private
functions, of parameters. `squeeze` puts whole-number constants in place of their names, across
modules, and gives private functions and positional parameters short names that all modules share.
It changes no public name, no attribute and no statement that does anything; the conformance tests
run the result.
"""

from __future__ import annotations

import ast
import functools
import string
from collections.abc import Iterator
from pathlib import Path

Constants = dict[str, dict[str, int]]
SHORT = [*string.ascii_lowercase, *(a + b for a in "abcdefgh" for b in string.ascii_lowercase)]


def module_name(root: Path, source: Path) -> str:
    """`aliquot.core.zone` for root/core/zone.py, where root is the package's folder."""
    parts = source.relative_to(root.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@functools.lru_cache(maxsize=4)
def constants(root: Path) -> Constants:
    """The whole-number constants in capitals below `root`: module -> name -> value."""
    found: Constants = {}
    for source in root.rglob("*.py"):
        own: dict[str, int] = {}
        for node in ast.parse(source.read_text("utf-8")).body:
            own.update(_values(node))
        found[module_name(root, source)] = own
    return found


def squeeze(root: Path, source: Path) -> str:
    """The small form of the module `source` of the package in the folder `root`."""
    known = constants(root)
    tree = ast.parse(source.read_text("utf-8"))
    name = module_name(root, source)
    values, modules = _visible(tree, known)
    values.update(known.get(name, {}))
    tree = _Inline(values, modules, known).visit(tree)
    tree.body = [node for node in tree.body if not _is_gone(node, values)]
    _drop_unused_imports(tree, known, values)
    keywords = _keywords(root)
    _Shorten(_private(tree, _bases(root))).visit(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            _parameters(node, keywords)
    return ast.unparse(ast.fix_missing_locations(tree)) + "\n"


def _values(node: ast.stmt) -> dict[str, int]:
    """Names in capitals that a statement binds to whole numbers for good."""
    if not isinstance(node, ast.Assign) or len(node.targets) != 1:
        return {}
    target = node.targets[0]
    try:
        if isinstance(target, ast.Name):
            names, numbers = [target.id], [_number(node.value)]
        elif isinstance(target, ast.Tuple) and isinstance(node.value, ast.Call):
            if ast.unparse(node.value.func) != "range":
                return {}
            names = [ast.unparse(element) for element in target.elts]
            numbers = list(range(*[_number(arg) for arg in node.value.args]))
        elif isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple):
            names = [ast.unparse(element) for element in target.elts]
            numbers = [_number(element) for element in node.value.elts]
        else:
            return {}
    except ValueError:
        return {}
    if not all(name.isupper() for name in names):
        return {}
    return dict(zip(names, numbers, strict=True))


def _number(node: ast.expr) -> int:
    """The value of an expression of whole numbers; ValueError for any other."""
    if isinstance(node, ast.Constant) and type(node.value) is int:
        return node.value
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        return -_number(node.operand)
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.LShift | ast.Mult | ast.Add):
        left, right = _number(node.left), _number(node.right)
        if isinstance(node.op, ast.LShift):
            return left << right
        return left * right if isinstance(node.op, ast.Mult) else left + right
    raise ValueError("not a whole number")


def _visible(tree: ast.Module, known: Constants) -> tuple[dict[str, int], dict[str, str]]:
    """What imports make visible: constants by name, and modules by the name they bear here."""
    values: dict[str, int] = {}
    modules: dict[str, str] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                bound = alias.asname or alias.name
                if alias.name in known.get(node.module, {}):
                    values[bound] = known[node.module][alias.name]
                elif f"{node.module}.{alias.name}" in known:
                    modules[bound] = f"{node.module}.{alias.name}"
    return values, modules


class _Inline(ast.NodeTransformer):
    """Puts constants in place of their names, and drops annotations and type-checking blocks."""

    def __init__(self, values: dict[str, int], modules: dict[str, str], known: Constants) -> None:
        self.values = values
        self.modules = modules
        self.known = known

    def visit_Name(self, node: ast.Name) -> ast.expr:
        if isinstance(node.ctx, ast.Load) and node.id in self.values:
            return ast.copy_location(ast.Constant(self.values[node.id]), node)
        return node

    def visit_Attribute(self, node: ast.Attribute) -> ast.expr:
        if isinstance(node.value, ast.Name) and node.value.id in self.modules:
            own = self.known[self.modules[node.value.id]]
            if node.attr in own:
                return ast.copy_location(ast.Constant(own[node.attr]), node)
        self.generic_visit(node)
        return node

    def visit_If(self, node: ast.If) -> ast.If | None:
        if isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            return None
        self.generic_visit(node)
        return node

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.stmt | None:
        if node.value is None:
            return None
        self.generic_visit(node)
        return ast.copy_location(ast.Assign([node.target], node.value), node)

    def visit_arg(self, node: ast.arg) -> ast.arg:
        node.annotation = None
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.FunctionDef:
        node.returns = None
        self.generic_visit(node)
        return node

    def visit_AsyncFunctionDef(self, node: ast.AsyncFunctionDef) -> ast.AsyncFunctionDef:
        node.returns = None
        self.generic_visit(node)
        return node


def _is_gone(node: ast.stmt, values: dict[str, int]) -> bool:
    if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "TYPE_CHECKING":
        return True
    bound = _values(node)
    return bool(bound) and all(name in values for name in bound)


def _drop_unused_imports(tree: ast.Module, known: Constants, values: dict[str, int]) -> None:
    used = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    for node in tree.body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            used |= set(ast.literal_eval(node.value))
    for owner in ast.walk(tree):
        if not isinstance(owner, ast.Module | ast.FunctionDef | ast.ClassDef | ast.If | ast.Try):
            continue
        kept: list[ast.stmt] = []
        for node in owner.body:
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("aliquot"):
                node.names = [a for a in node.names if (a.asname or a.name) in used]
                if not node.names:
                    continue
            kept.append(node)
        owner.body = kept or [ast.Pass()]


@functools.lru_cache(maxsize=4)
def _bases(root: Path) -> set[str]:
    """Names of the classes that another class below `root` is made of."""
    found: set[str] = set()
    for source in root.rglob("*.py"):
        for node in ast.walk(ast.parse(source.read_text("utf-8"))):
            if isinstance(node, ast.ClassDef):
                found.update(ast.unparse(base).split(".")[-1] for base in node.bases)
    return found


def _private(tree: ast.Module, bases: set[str]) -> dict[str, str]:
    """Short names for the module's private functions, methods, variables and attributes.

    What a class calls of its base must therefore have a public name. Attributes of a class that is
    the base of another one keep their names, and so do those of that other one.
    """
    names: list[str] = []
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            names.append(node.name)
        elif isinstance(node, ast.Assign):
            names += [t.id for t in node.targets if isinstance(t, ast.Name)]
    for node in ast.walk(tree):
        # Not in a class with a base, which may lie in another module: there the same short names
        # stand for other methods.
        if isinstance(node, ast.ClassDef) and not node.bases:
            functions = (ast.FunctionDef, ast.AsyncFunctionDef)
            names += [inner.name for inner in node.body if isinstance(inner, functions)]
            if node.name not in bases:
                names += _attributes(node)
    private = [n for n in dict.fromkeys(names) if n.startswith("_") and not n.startswith("__")]
    return {name: "_" + short for name, short in zip(private, SHORT, strict=False)}


def _attributes(owner: ast.ClassDef) -> list[str]:
    """The attributes of a class: those that it binds itself, and those that `self` is given."""
    names: list[str] = []
    for node in owner.body:
        if isinstance(node, ast.Assign):
            names += [t.id for t in node.targets if isinstance(t, ast.Name)]
    for node in ast.walk(owner):
        if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store):
            names += [node.attr] if ast.unparse(node.value) == "self" else []
    return names


class _Shorten(ast.NodeTransformer):
    """Gives names of the module's own their short form, wherever they are read."""

    def __init__(self, names: dict[str, str]) -> None:
        self.names = names

    def visit_Name(self, node: ast.Name) -> ast.Name:
        node.id = self.names.get(node.id, node.id)
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.FunctionDef:
        node.name = self.names.get(node.name, node.name)
        self.generic_visit(node)
        return node

    def visit_AsyncFunctionDef(self, node: ast.AsyncFunctionDef) -> ast.AsyncFunctionDef:
        node.name = self.names.get(node.name, node.name)
        self.generic_visit(node)
        return node

    def visit_Attribute(self, node: ast.Attribute) -> ast.Attribute:
        node.attr = self.names.get(node.attr, node.attr)
        self.generic_visit(node)
        return node

    def visit_ClassDef(self, node: ast.ClassDef) -> ast.ClassDef:
        node.name = self.names.get(node.name, node.name)
        self.generic_visit(node)
        return node


@functools.lru_cache(maxsize=4)
def _keywords(root: Path) -> set[str]:
    """Names that any call of the device's code uses as a keyword."""
    found: set[str] = set()
    for source in root.rglob("*.py"):
        for node in ast.walk(ast.parse(source.read_text("utf-8"))):
            if isinstance(node, ast.Call):
                found.update(word.arg for word in node.keywords if word.arg)
    return found


def _parameters(node: ast.FunctionDef, keywords: set[str]) -> None:
    """Short names for the parameters that are only ever given by position and have no default."""
    inner = [n for n in _walk(node) if isinstance(n, ast.FunctionDef | ast.Lambda)]
    if inner:
        return
    plain = node.args.args[: len(node.args.args) - len(node.args.defaults)]
    used = {n.id for n in ast.walk(node) if isinstance(n, ast.Name)}
    used |= {arg.arg for arg in node.args.args}
    free = (short for short in SHORT if short not in used)
    names: dict[str, str] = {}
    for arg in plain:
        if arg.arg != "self" and arg.arg not in keywords and len(arg.arg) > 1:
            names[arg.arg] = next(free)
            arg.arg = names[arg.arg]
    for inside in _walk(node):
        if isinstance(inside, ast.Name):
            inside.id = names.get(inside.id, inside.id)


def _walk(node: ast.FunctionDef) -> Iterator[ast.AST]:
    for statement in node.body:
        yield from ast.walk(statement)
