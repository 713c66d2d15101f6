"""Load the core as the Pico computes it: every float operation rounded to single precision, every integer watched.

The source is rewritten before it is compiled: each float literal, each operation and each call of `sum` or of a
function of `math` goes through a guard. A float comes back rounded to the nearest single; an integer that reaches 2^30,
where MicroPython on the Pico would allocate a big one, is an error. So the very code of the tester runs, and nothing
becomes a double on the way.
"""

import ast
import math
import struct
import sys
import types
from pathlib import Path

CORE = Path(__file__).resolve().parents[2] / "firmware" / "probecore"
SMALL_INTEGER_LIMIT = 1 << 30

_single = struct.Struct("f")


class NotSingleError(AssertionError):
    """A result that the Pico would not have: a double, or an integer that is not small."""


def guard(value):
    """Round a float to a single; refuse an integer that is not small; leave everything else alone."""
    if type(value) is float:
        try:
            return _single.unpack(_single.pack(value))[0]
        except OverflowError:
            return math.copysign(math.inf, value)
    if type(value) is int and abs(value) >= SMALL_INTEGER_LIMIT:
        raise NotSingleError(f"The integer {value} is not below 2^30.")
    return value


def is_single(value) -> bool:
    """Tell whether a value is a float that a single holds exactly."""
    return type(value) is float and guard(value) == value


def guarded_sum(values, start=0):
    """Add up as the Pico does, rounding after each step."""
    total = start
    for value in values:
        total = guard(total + value)
    return total


def guarded_maths() -> types.ModuleType:
    """Return a `math` whose functions give singles; an argument that is none is an error."""
    module = types.ModuleType("math")

    def wrap(function):
        def call(*args):
            for arg in args:
                if type(arg) is float and math.isfinite(arg) and not is_single(arg):
                    raise NotSingleError(f"{function.__name__} was given the double {arg!r}.")
            return guard(function(*args))

        return call

    for name in ("cos", "sqrt", "erf", "erfc", "exp", "fabs", "log", "sin"):
        setattr(module, name, wrap(getattr(math, name)))
    module.pi = guard(math.pi)
    return module


class _Guarding(ast.NodeTransformer):
    """Wrap float literals and operations in the guard."""

    def _wrapped(self, node):
        return ast.copy_location(ast.Call(ast.Name("__guard__", ast.Load()), [node], []), node)

    def visit_Constant(self, node):
        return self._wrapped(node) if type(node.value) is float else node

    def visit_BinOp(self, node):
        self.generic_visit(node)
        return self._wrapped(node)

    def visit_UnaryOp(self, node):
        self.generic_visit(node)
        return node if isinstance(node.op, ast.Not) else self._wrapped(node)

    def visit_AugAssign(self, node):
        self.generic_visit(node)
        load = ast.parse(ast.unparse(node.target), mode="eval").body
        value = self._wrapped(ast.BinOp(load, node.op, node.value))
        return ast.copy_location(ast.Assign([node.target], value), node)


def load(package: str = "probecore_single") -> dict[str, types.ModuleType]:
    """Load the computing modules of the core under another name, guarded. Returns them by their short names."""
    root = types.ModuleType(package)
    root.__path__ = [str(CORE)]
    sys.modules[package] = root
    loaded = {}
    names = ["errors", "maths", "counts", "calibration", "conformance", "curves", "ladder", "limits", "findings"]
    names += ["budget", "selfheat", "checking", "verdict", "settling", "flex", "foreign", "contact", "isolation"]
    names += ["bake"]
    for name in names:
        source = (CORE / f"{name}.py").read_text()
        tree = ast.fix_missing_locations(_Guarding().visit(ast.parse(source)))
        module = types.ModuleType(f"{package}.{name}")
        module.__package__ = package
        module.__dict__.update(__guard__=guard, sum=guarded_sum)
        sys.modules[module.__name__] = module
        setattr(root, name, module)
        if name == "maths":
            keep = sys.modules["math"]
            sys.modules["math"] = guarded_maths()
            try:
                exec(compile(tree, f"{name}.py", "exec"), module.__dict__)
            finally:
                sys.modules["math"] = keep
        else:
            exec(compile(tree, f"{name}.py", "exec"), module.__dict__)
        loaded[name] = module
    return loaded
