"""Which definitions of a package can be reached from its entry points, determined from the syntax trees alone.

A graph of names: a definition is reached when the code of a reached definition names it. Names are resolved through
imports; an attribute of anything but a module is identified by its name alone, so if two classes have a method of the
same name and one is used, both count as reached. So what is reported is dead, but not all that is dead is reported.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

PLAIN_DECORATORS = {
    *("staticmethod", "classmethod", "property", "cached_property", "cache", "lru_cache", "overload"),
    *("contextmanager", "dataclass", "wraps", "njit", "total_ordering", "override", "final", "no_type_check"),
}
"""Decorators that do not call or register the function; with any other decorator, a function counts as registered."""
PLAIN_BASES = {
    *("object", "BaseModel", "NamedTuple", "Protocol", "Enum", "StrEnum", "IntEnum", "Generic", "ABC", "TypedDict"),
    *("Exception", "ValueError", "Warning", "UserWarning", "RuntimeError", "KeyError", "OSError"),
}
"""Classes of other packages that call no methods of derived classes except those with two underscores."""
RECORDS = {"BaseModel", "NamedTuple", "TypedDict"}

Key = tuple[str, str]
"""Module and name in it, that of a member after its class: ("roomsim.errors", "RoomsimError.text")."""


@dataclass
class Definition:
    """A function, class, constant, method or field, and the names in its code."""

    key: Key
    kind: str
    line: int
    owner: Key | None = None
    names: set[Key] = field(default_factory=set)
    attributes: set[str] = field(default_factory=set)
    texts: set[str] = field(default_factory=set)
    at_once: bool = False
    """Reached with its module or class: registered, or called by Python itself."""


class Parameter(NamedTuple):
    """A parameter that every reached call gives the same constant, or none."""

    function: Key
    name: str
    value: str
    calls: int


class Program:
    """A package as a graph.

    Parameters
    ----------
    sources : dotted name of each module -> its text; that of a package is the name of its folder
    """

    def __init__(self, sources: Mapping[str, str], packages: Iterable[str]):
        self.trees = {module: ast.parse(text) for module, text in sources.items()}
        self.packages = set(packages)
        self.definitions: dict[Key, Definition] = {}
        self.scopes: dict[str, dict[str, set[Key]]] = {module: {} for module in self.trees}
        self.bases: dict[Key, list[str]] = {}
        self._to_read: list[tuple[str, ast.AST, Definition]] = []
        self.calls: list[tuple[str, Key, ast.Call]] = []
        for module, tree in self.trees.items():
            self._enter_scope(module, tree)
        for module, tree in self.trees.items():
            self._enter_definitions(module, tree)
        for module, node, into in self._to_read:
            self._read(module, node, into)

    # --- definitions ----------------------------------------------------------------------------------------

    def _enter_scope(self, module: str, tree: ast.Module) -> None:
        """A name may have several definitions: one in each branch, or another inside a function."""
        scope = self.scopes[module]
        for node in ast.walk(tree):
            if isinstance(node, ast.Import):
                for alias in node.names:
                    if alias.asname or "." not in alias.name:
                        scope.setdefault(alias.asname or alias.name, set()).add((alias.name, ""))
            elif isinstance(node, ast.ImportFrom):
                for alias in node.names:
                    taken = (self.module_of(module, node), alias.name)
                    scope.setdefault(alias.asname or alias.name, set()).add(taken)
        for node in _statements(tree.body):
            for name in _bound(node):
                scope.setdefault(name, set()).add((module, name))

    def module_of(self, module: str, node: ast.ImportFrom) -> str:
        """The module that a relative import takes from."""
        parts = module.split(".")
        up = node.level - (module in self.packages)
        base = parts[: len(parts) - up] if node.level else []
        return ".".join([*base, *([node.module] if node.module else [])])

    def _resolve(self, key: Key) -> set[Key]:
        """Where a name was defined, through any number of modules that re-export it; ("module", "") for a module."""
        found: set[Key] = set()
        waiting, seen = [key], set()
        while waiting:
            one = waiting.pop()
            if one in seen:
                continue
            seen.add(one)
            module, name = one
            dotted = f"{module}.{name}" if name else module
            if dotted in self.trees:
                found.add((dotted, ""))
            if one in self.definitions:
                found.add(one)
            waiting += self.scopes.get(module, {}).get(name, ())
        return found

    def _enter_definitions(self, module: str, tree: ast.Module) -> None:
        run = self._add(module, "", "module", 1)
        for node in _statements(tree.body):
            if isinstance(node, ast.FunctionDef):
                self._enter_function(module, node, node.name, None)
            elif isinstance(node, ast.ClassDef):
                self._enter_class(module, node)
            elif isinstance(node, ast.Assign | ast.AnnAssign) and (names := list(_bound(node))):
                for name in names:
                    self._to_read.append((module, node, self._add(module, name, "constant", node.lineno)))
            elif not isinstance(node, ast.Import | ast.ImportFrom):
                self._to_read.append((module, node, run))

    def _enter_function(self, module: str, node: ast.FunctionDef, name: str, owner: Key | None) -> None:
        kind = "method" if owner else "function"
        made = self._add(module, name, kind, node.lineno, owner)
        decorators = [_last(d.func if isinstance(d, ast.Call) else d) for d in node.decorator_list]
        special = node.name.startswith("__") and node.name.endswith("__")
        made.at_once = special or bool(set(decorators) - PLAIN_DECORATORS - {"setter"})
        self._to_read.append((module, node, made))

    def _enter_class(self, module: str, node: ast.ClassDef) -> None:
        made = self._add(module, node.name, "class", node.lineno)
        self.bases[made.key] = [_last(base) for base in node.bases]
        decorated = {_last(d.func if isinstance(d, ast.Call) else d) for d in node.decorator_list}
        made.at_once = bool(decorated - PLAIN_DECORATORS)
        for outer in (*node.bases, *node.decorator_list, *(k.value for k in node.keywords)):
            self._to_read.append((module, outer, made))
        for part in node.body:
            if isinstance(part, ast.FunctionDef):
                self._enter_function(module, part, f"{node.name}.{part.name}", made.key)
            else:
                self._to_read.append((module, part, made))
                if isinstance(part, ast.AnnAssign) and _last(part.annotation) == "Literal":
                    continue  # its only value has been checked
                for name in _bound(part):
                    if not name.startswith("_") and name != "model_config":
                        self._add(module, f"{node.name}.{name}", "field", part.lineno, made.key)

    def _add(self, module: str, name: str, kind: str, line: int, owner: Key | None = None) -> Definition:
        key = (module, name)
        return self.definitions.setdefault(key, Definition(key, kind, line, owner))

    def _read(self, module: str, node: ast.AST, into: Definition) -> None:
        scope = self.scopes[module]
        for part in _walk(node):
            if isinstance(part, ast.Name):
                into.names |= scope.get(part.id, set())
            elif isinstance(part, ast.Attribute):
                found = self._through_modules(part, scope)
                into.names |= found
                if isinstance(part.ctx, ast.Load) and not found:
                    into.attributes.add(part.attr)
            elif isinstance(part, ast.MatchClass):
                into.attributes.update(part.kwd_attrs)
            elif isinstance(part, ast.Constant) and isinstance(part.value, str):
                if part.value.isidentifier():
                    into.texts.add(part.value)
                elif part.value.endswith(".py"):  # started as a separate process
                    into.names.add((f"{module.rpartition('.')[0]}.{part.value[:-3]}", ""))
                else:
                    into.names.update(_quoted(part.value, scope))
            if isinstance(part, ast.Call):
                self.calls.append((module, into.key, part))

    def _through_modules(self, node: ast.expr, scope: Mapping[str, set[Key]]) -> set[Key]:
        """The definition of a name or `module.name`, if it belongs to this program."""
        if isinstance(node, ast.Name):
            return {found for key in scope.get(node.id, ()) for found in self._resolve(key)}
        if isinstance(node, ast.Attribute):
            modules = [key[0] for key in self._through_modules(node.value, scope) if key[1] == ""]
            return {found for module in modules for found in self._resolve((module, node.attr))}
        return set()

    # --- reached definitions --------------------------------------------------------------------------------

    def reached_from(self, entries: Iterable[Key]) -> set[Key]:
        """Keys of all reached definitions; the code of a module runs when its first name is reached."""
        reached: set[Key] = set()
        attributes: set[str] = set()
        texts: set[str] = set()
        waiting = [found for entry in entries for found in self._resolve(entry)]
        while waiting:
            while waiting:
                key = waiting.pop()
                definition = self.definitions.get(key)
                if key in reached or definition is None:
                    continue
                reached.add(key)
                attributes |= definition.attributes
                texts |= definition.texts
                waiting.append((key[0], ""))
                waiting += [found for name in definition.names for found in self._resolve(name)]
            for key, definition in self.definitions.items():
                if key not in reached and self._comes_with(definition, reached, attributes, texts):
                    waiting.append(key)
        return reached

    def _comes_with(
        self, definition: Definition, reached: set[Key], attributes: set[str], texts: set[str]
    ) -> bool:
        module, name = definition.key
        if definition.owner is None:
            return definition.at_once and (module, "") in reached
        if definition.owner not in reached:
            return False
        last = name.rpartition(".")[2]
        if definition.kind == "field":
            return last in attributes or last in texts
        return definition.at_once or last in attributes or self._called_from_elsewhere(definition.owner)

    def _called_from_elsewhere(self, owner: Key) -> bool:
        """Whether a class has a base of another package, which may call its methods."""
        own = {key[1] for key in self.bases}
        return any(base not in own and base not in PLAIN_BASES for base in self.bases[owner])

    def unreached(self, entries: Iterable[Key]) -> list[Definition]:
        """All definitions that no reached definition names; of a class that is not reached, only the class."""
        reached = self.reached_from(entries)
        dead = [
            definition
            for key, definition in self.definitions.items()
            if key not in reached
            and definition.kind != "module"
            and key[1] != "__all__"
            and not (definition.owner and definition.owner not in reached)
        ]
        return sorted(dead, key=lambda one: (one.key[0], one.line))

    # --- parameters -----------------------------------------------------------------------------------------

    def constant_parameters(self, entries: Iterable[Key], least_calls: int = 1) -> list[Parameter]:
        """Parameters that every reached call gives one constant, or leaves at their default.

        Functions that are passed as values, called with * or **, registered, or among the entries are left out, because
        their calls are not known.
        """
        entries = [found for entry in entries for found in self._resolve(entry)]
        reached = self.reached_from(entries)
        callees = {id(call.func) for _, _, call in self.calls}
        passed_on: set[Key] = set()
        calls: dict[Key, list[ast.Call]] = {}
        methods: dict[str, list[Key]] = {}
        for key, definition in self.definitions.items():
            if definition.kind == "method":
                methods.setdefault(key[1].rpartition(".")[2], []).append(key)
        for module, key, call in self.calls:
            if key not in reached:
                continue
            for target in self._targets(call.func, module, methods):
                calls.setdefault(target, []).append(call)
        for module, tree in self.trees.items():
            for part in _walk(tree):
                if isinstance(part, ast.Name | ast.Attribute) and id(part) not in callees:
                    passed_on.update(self._targets(part, module, methods))
        found = []
        for key, node in self._functions():
            sites = calls.get(key, [])
            definition = self.definitions[key]
            if key in passed_on or key in entries or definition.at_once or len(sites) < least_calls:
                continue
            if any(isinstance(a, ast.Starred) for s in sites for a in s.args):
                continue
            if any(k.arg is None for s in sites for k in s.keywords):
                continue
            found += self._constants(key, node, sites)
        return found

    def _functions(self) -> Iterator[tuple[Key, ast.FunctionDef]]:
        for module, tree in self.trees.items():
            for node in _statements(tree.body):
                if isinstance(node, ast.FunctionDef):
                    yield (module, node.name), node
                elif isinstance(node, ast.ClassDef):
                    for part in node.body:
                        if isinstance(part, ast.FunctionDef):
                            yield (module, f"{node.name}.{part.name}"), part

    def _targets(self, function: ast.expr, module: str, methods: Mapping[str, list[Key]]) -> list[Key]:
        found = self._through_modules(function, self.scopes[module])
        if found:
            return sorted(found)
        if isinstance(function, ast.Attribute):
            return methods.get(function.attr, [])
        return []

    def _constants(self, key: Key, node: ast.FunctionDef, sites: list[ast.Call]) -> Iterator[Parameter]:
        positional = [a.arg for a in (*node.args.posonlyargs, *node.args.args)]
        bound = self.definitions[key].owner is not None
        static = any(_last(d) == "staticmethod" for d in node.decorator_list)
        if bound and not static:
            positional = positional[1:]
        defaults = dict(zip(reversed(positional), (ast.unparse(d) for d in reversed(node.args.defaults))))
        defaults |= {
            a.arg: ast.unparse(d) for a, d in zip(node.args.kwonlyargs, node.args.kw_defaults) if d is not None
        }
        for name in (*positional, *(a.arg for a in node.args.kwonlyargs)):
            given = set()
            for site in sites:
                words = {k.arg: k.value for k in site.keywords}
                place = positional.index(name) if name in positional else len(site.args)
                value = site.args[place] if place < len(site.args) else words.get(name)
                if value is None:
                    given.add(defaults.get(name, "?"))
                elif isinstance(value, ast.Constant) or _is_number(value):
                    given.add(ast.unparse(value))
                else:
                    given.add(f"varies {id(value)}")
            only = given.pop() if len(given) == 1 else "varies"
            if not only.startswith("varies") and (name in defaults or len(sites) > 1):
                yield Parameter(key, name, only, len(sites))


def _is_number(node: ast.expr) -> bool:
    return isinstance(node, ast.UnaryOp) and isinstance(node.operand, ast.Constant)


def _last(node: ast.expr) -> str:
    if isinstance(node, ast.Subscript):
        return _last(node.value)
    return node.attr if isinstance(node, ast.Attribute) else getattr(node, "id", "")


def _bound(node: ast.stmt) -> Iterator[str]:
    """Names that a statement binds in its own scope."""
    if isinstance(node, ast.FunctionDef | ast.ClassDef):
        yield node.name
    elif isinstance(node, ast.Assign):
        for target in node.targets:
            yield from (part.id for part in ast.walk(target) if isinstance(part, ast.Name) and _stored(part))
    elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
        yield node.target.id


def _stored(node: ast.Name) -> bool:
    return isinstance(node.ctx, ast.Store)


def _statements(body: Iterable[ast.stmt]) -> Iterator[ast.stmt]:
    """Statements of a module, those under `if TYPE_CHECKING` and the like too."""
    for node in body:
        if isinstance(node, ast.If | ast.Try):
            yield from _statements([*node.body, *node.orelse])
        else:
            yield node


def _walk(node: ast.AST) -> Iterator[ast.AST]:
    """All nodes but docstrings and other loose texts."""
    for part in ast.iter_child_nodes(node):
        if isinstance(part, ast.Expr) and isinstance(part.value, ast.Constant) and isinstance(part.value.value, str):
            continue
        yield from _walk(part)
    yield node


def _quoted(text: str, scope: Mapping[str, set[Key]]) -> Iterator[Key]:
    """Names in a text that is an annotation in quotes."""
    try:
        tree = ast.parse(text, mode="eval")
    except (SyntaxError, ValueError):
        return
    for part in ast.walk(tree):
        if isinstance(part, ast.Name):
            yield from scope.get(part.id, ())
