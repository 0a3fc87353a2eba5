"""The text of a kernel as code of LLVM, the compiler library that `buslens.machine_code` makes machine code with.

A kernel keeps the rules of `buslens.kernels`. So every value is a signed whole number of 64 bits and every buffer a
pointer to items of a known width; no other types have to be found out, and that is why the translation is quick.

The meaning is Python's: ``and`` and ``or`` evaluate their right side only where it decides and give one of their
sides, a chain of comparisons evaluates each part once, ``//`` and ``%`` round downwards. Three things that Python
notices are not noticed here: a sum beyond 64 bits, a negative index, and a division by zero. A kernel must not do them;
`tests/support/guarded_kernels.py` looks for them.
"""

from __future__ import annotations

import ast
import inspect
import sys
from dataclasses import dataclass
from functools import cache
from types import FunctionType
from typing import TYPE_CHECKING, Any, Final, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import ModuleType

ENTRY: Final = "kernel"
"""Name of the function that is called from outside."""
_BINARY: Final = {
    ast.Add: "add",
    ast.Sub: "sub",
    ast.Mult: "mul",
    ast.BitAnd: "and",
    ast.BitOr: "or",
    ast.BitXor: "xor",
    ast.LShift: "shl",
    ast.RShift: "ashr",
}
_COMPARE: Final = {ast.Eq: "eq", ast.NotEq: "ne", ast.Lt: "slt", ast.LtE: "sle", ast.Gt: "sgt", ast.GtE: "sge"}
_NO: Final = "a kernel cannot say this"


@dataclass(frozen=True, slots=True)
class Buffer:
    """The items of a buffer: how many bits they have, whether they are signed, and how many bytes lie between two."""

    bits: int
    is_signed: bool
    stride: int


Kind: TypeAlias = "Buffer | None"
"""What an argument is; None: a whole number."""


class KernelSyntaxError(Exception):
    """A kernel does not keep the rules."""


def kind_of(argument: Any) -> Kind:
    """Return what an argument of a kernel is: an array of one dimension, or a whole number."""
    dtype = getattr(argument, "dtype", None)
    if dtype is None or not hasattr(argument, "strides") or not argument.shape:
        return None
    return Buffer(8 * dtype.itemsize, dtype.kind == "i", argument.strides[0])


def translate(kernel: FunctionType, kinds: Sequence[Kind]) -> str:
    """Return a kernel, and all kernels that it calls, as one module in LLVM's language.

    Parameters
    ----------
    kernel : function
        Returns one whole number or nothing.
    kinds : sequence
        Of its arguments.

    Raises
    ------
    KernelSyntaxError
        If a kernel does something that the rules forbid.
    OSError
        If the text of a module cannot be had.
    """
    if results_of(kernel) > 1:
        raise KernelSyntaxError(
            f"{kernel.__module__}, line {definition(kernel).lineno}: several results go to kernels only"
        )
    module = _Module()
    name = module.function(kernel, tuple(kinds))
    entry = ", ".join(f"i64 %a{n}" if kind is None else f"ptr noalias %a{n}" for n, kind in enumerate(kinds))
    passed = ", ".join(f"i64 %a{n}" if kind is None else f"ptr %a{n}" for n, kind in enumerate(kinds))
    return "\n".join(
        [
            *module.texts,
            f"define i64 @{ENTRY}({entry}) #1 {{",
            f"  %r = call i64 @{name}({passed})",
            "  ret i64 %r",
            "}",
            # Nothing of the C library is there to be called. Kernels call each other thousands of times per
            # millisecond: a call would cost as much as its work.
            'attributes #0 = { nounwind alwaysinline "no-builtins" }',
            'attributes #1 = { nounwind "no-builtins" }',
            "",
        ]
    )


@cache
def _functions(module: ModuleType) -> dict[str, ast.FunctionDef]:
    """Return the functions of a module by name."""
    return {node.name: node for node in ast.parse(inspect.getsource(module)).body if isinstance(node, ast.FunctionDef)}


class _Module:
    """The functions that were translated so far."""

    def __init__(self) -> None:
        self.texts: list[str] = []
        self._names: dict[tuple[FunctionType, tuple[Kind, ...]], str] = {}

    def function(self, function: FunctionType, kinds: tuple[Kind, ...]) -> str:
        """Return the name of a function for arguments of these kinds, translated if that is still to be done."""
        if (function, kinds) not in self._names:
            self._names[function, kinds] = name = f"{function.__name__}.{len(self._names)}"
            self.texts.append(_Function(self, function, kinds).text(name))
        return self._names[function, kinds]


def definition(function: FunctionType) -> ast.FunctionDef:
    """Return the text of a function, read.

    Raises
    ------
    OSError
        If the text of its module cannot be had.
    """
    return _functions(sys.modules[function.__module__])[function.__name__]


def results_of(function: FunctionType) -> int:
    """Return how many whole numbers a kernel returns, as its annotation says; 0: nothing."""
    returns = definition(function).returns
    if isinstance(returns, ast.Subscript) and isinstance(returns.slice, ast.Tuple):
        return len(returns.slice.elts)
    return 0 if isinstance(returns, ast.Constant) else 1


class _Function:
    """Translates one function for arguments of certain kinds."""

    def __init__(self, module: _Module, function: FunctionType, kinds: tuple[Kind, ...]) -> None:
        self._module = module
        self._function = function
        self._node = definition(function)
        self._lines: list[str] = []
        self._slots: list[str] = []
        self._n = 0
        self._buffers: dict[str, tuple[str, Buffer]] = {}
        self._variables: dict[str, str] = {}
        #: Where ``continue`` and ``break`` lead to, the innermost loop last.
        self._loops: list[tuple[str, str]] = []
        self._is_ended = False
        self._kinds = kinds
        self._results = results_of(function)
        self._type = "i64" if self._results <= 1 else "{ " + ", ".join(["i64"] * self._results) + " }"

    def text(self, name: str) -> str:
        """Return the function under a name."""
        arguments = []
        parameters = [parameter.arg for parameter in self._node.args.args]
        if len(parameters) != len(self._kinds):
            raise self._error(self._node)
        for parameter, kind in zip(parameters, self._kinds, strict=True):
            if kind is None:
                arguments.append(f"i64 %{parameter}")
                self._store(parameter, f"%{parameter}")
            else:
                arguments.append(f"ptr noalias %{parameter}")
                self._buffers[parameter] = f"%{parameter}", kind
        self._body(self._node.body)
        if not self._is_ended:
            self._end(f"ret {self._type} {'0' if self._results <= 1 else 'zeroinitializer'}")
        return "\n".join(
            [
                f"define internal {self._type} @{name}({', '.join(arguments)}) #0 {{",
                "entry:",
                *self._slots,
                *self._lines,
                "}",
            ]
        )

    def _error(self, node: ast.AST) -> KernelSyntaxError:
        place = f"{self._function.__module__}, line {getattr(node, 'lineno', 0)}"
        return KernelSyntaxError(f"{place}: {_NO}: {ast.unparse(node)}")

    # --- writing ----------------------------------------------------------------------------------------------

    def _name(self) -> str:
        self._n += 1
        return f"%.{self._n}"

    def _do(self, operation: str) -> str:
        """Write an operation; return the name of what comes of it."""
        name = self._name()
        self._lines.append(f"  {name} = {operation}")
        return name

    def _end(self, operation: str) -> None:
        """Write the last operation of a block."""
        if self._is_ended:  # nothing leads here
            self._begin(self._label())
        self._lines.append(f"  {operation}")
        self._is_ended = True

    def _label(self) -> str:
        self._n += 1
        return f"b{self._n}"

    def _begin(self, label: str) -> None:
        """Begin a block; what comes before it leads there unless it has ended."""
        if not self._is_ended:
            self._lines.append(f"  br label %{label}")
        self._lines.append(f"{label}:")
        self._is_ended = False

    def _slot(self) -> str:
        """Return a new place for a whole number."""
        name = self._name()
        self._slots.append(f"  {name} = alloca i64")
        return name

    def _store(self, variable: str, value: str) -> None:
        if variable not in self._variables:
            self._variables[variable] = self._slot()
        self._lines.append(f"  store i64 {value}, ptr {self._variables[variable]}")

    # --- statements -------------------------------------------------------------------------------------------

    def _body(self, statements: Sequence[ast.stmt]) -> None:
        for statement in statements:
            self._statement(statement)
            if self._is_ended:
                return  # what follows is never reached

    def _statement(self, node: ast.stmt) -> None:
        match node:
            case ast.Expr(value=ast.Constant()) | ast.Pass():
                pass
            case ast.Expr(value=ast.Call() as call):
                self._call(call)
            case ast.Assign(targets=[target]):
                self._assign(target, node.value)
            case ast.AugAssign(target=ast.Name(id=name)):
                self._store(name, self._binary(node, node.op, self._read(name, node), self._value(node.value)))
            case ast.AugAssign(target=ast.Subscript() as target):
                place, buffer = self._place(target)
                left = self._load(place, buffer)
                self._write(place, buffer, self._binary(node, node.op, left, self._value(node.value)))
            case ast.Return(value=value):
                self._return(value)
            case ast.If(test=test, body=body, orelse=orelse):
                yes, no, behind = self._label(), self._label(), self._label()
                self._branch(test, yes, no)
                self._begin(yes)
                self._body(body)
                self._leap(behind)
                self._begin(no)
                self._body(orelse)
                self._leap(behind)
                self._begin(behind)
            case ast.While(test=test, body=body, orelse=[]):
                again, inside, behind = self._label(), self._label(), self._label()
                self._begin(again)
                self._branch(test, inside, behind)
                self._loop(inside, body, again, behind)
                self._leap(again)
                self._begin(behind)
            case ast.For(target=ast.Name(id=name), iter=ast.Call(func=ast.Name(id="range")) as counted, orelse=[]):
                self._count(name, counted, node.body)
            case ast.Continue():
                self._end(f"br label %{self._loops[-1][0]}")
            case ast.Break():
                self._end(f"br label %{self._loops[-1][1]}")
            case _:
                raise self._error(node)

    def _leap(self, label: str) -> None:
        if not self._is_ended:
            self._end(f"br label %{label}")

    def _loop(self, inside: str, body: Sequence[ast.stmt], on: str, behind: str) -> None:
        self._begin(inside)
        self._loops.append((on, behind))
        self._body(body)
        self._loops.pop()

    def _count(self, name: str, counted: ast.Call, body: Sequence[ast.stmt]) -> None:
        """Translate ``for name in range(...)``, with a step that is a positive constant."""
        limits = counted.args
        first = self._value(limits[0]) if len(limits) > 1 else "0"
        last = self._value(limits[1] if len(limits) > 1 else limits[0])
        step = self._value(limits[2]) if len(limits) > 2 else "1"
        if not step.isdecimal() or step == "0":
            raise self._error(counted)
        at = self._slot()
        self._lines.append(f"  store i64 {first}, ptr {at}")
        again, inside, on, behind = self._label(), self._label(), self._label(), self._label()
        self._begin(again)
        now = self._do(f"load i64, ptr {at}")
        self._end(f"br i1 {self._do(f'icmp slt i64 {now}, {last}')}, label %{inside}, label %{behind}")
        self._begin(inside)
        self._store(name, now)
        self._loops.append((on, behind))
        self._body(body)
        self._loops.pop()
        self._begin(on)
        self._lines.append(f"  store i64 {self._do(f'add i64 {now}, {step}')}, ptr {at}")
        self._end(f"br label %{again}")
        self._begin(behind)

    def _assign(self, target: ast.expr, source: ast.expr) -> None:
        match target, source:
            case ast.Name(id=name), _:
                self._store(name, self._value(source))
            case ast.Subscript(), _:
                value = self._value(source)
                place, buffer = self._place(target)
                self._write(place, buffer, value)
            case ast.Tuple(elts=targets), ast.Tuple(elts=sources) if len(targets) == len(sources):
                for each, value in zip(targets, [self._value(one) for one in sources], strict=True):
                    self._keep(each, value)
            case ast.Tuple(elts=targets), ast.Call():
                result, kind = self._call(source)
                for n, each in enumerate(targets):
                    self._keep(each, self._do(f"extractvalue {kind} {result}, {n}"))
            case _:
                raise self._error(target)

    def _keep(self, target: ast.expr, value: str) -> None:
        if not isinstance(target, ast.Name):
            raise self._error(target)
        self._store(target.id, value)

    def _return(self, value: ast.expr | None) -> None:
        if value is None:
            self._end("ret i64 0")
        elif isinstance(value, ast.Tuple):
            whole = "undef"
            for n, each in enumerate([self._value(one) for one in value.elts]):
                whole = self._do(f"insertvalue {self._type} {whole}, i64 {each}, {n}")
            self._end(f"ret {self._type} {whole}")
        elif self._results > 1 and isinstance(value, ast.Call):
            result, kind = self._call(value)
            self._end(f"ret {kind} {result}")
        else:
            self._end(f"ret i64 {self._value(value)}")

    # --- buffers ----------------------------------------------------------------------------------------------

    def _place(self, node: ast.Subscript) -> tuple[str, Buffer]:
        if not isinstance(node.value, ast.Name) or node.value.id not in self._buffers:
            raise self._error(node)
        pointer, buffer = self._buffers[node.value.id]
        index = self._value(node.slice)
        if 8 * buffer.stride == buffer.bits:
            return self._do(f"getelementptr inbounds i{buffer.bits}, ptr {pointer}, i64 {index}"), buffer
        if buffer.stride != 1:
            index = self._do(f"mul i64 {index}, {buffer.stride}")
        return self._do(f"getelementptr inbounds i8, ptr {pointer}, i64 {index}"), buffer

    def _load(self, place: str, buffer: Buffer) -> str:
        align = min(buffer.bits // 8, buffer.stride)
        value = self._do(f"load i{buffer.bits}, ptr {place}, align {align}")
        if buffer.bits == 64:
            return value
        return self._do(f"{'sext' if buffer.is_signed else 'zext'} i{buffer.bits} {value} to i64")

    def _write(self, place: str, buffer: Buffer, value: str) -> None:
        if buffer.bits < 64:
            value = self._do(f"trunc i64 {value} to i{buffer.bits}")
        align = min(buffer.bits // 8, buffer.stride)
        self._lines.append(f"  store i{buffer.bits} {value}, ptr {place}, align {align}")

    # --- values -----------------------------------------------------------------------------------------------

    def _read(self, name: str, node: ast.AST) -> str:
        if name in self._variables:
            return self._do(f"load i64, ptr {self._variables[name]}")
        value = self._function.__globals__.get(name)
        if not isinstance(value, int):
            raise self._error(node)
        return self._number(int(value), node)

    def _number(self, value: int, node: ast.AST) -> str:
        if not -(1 << 63) <= value < 1 << 63:
            raise self._error(node)
        return str(value)

    def _value(self, node: ast.expr) -> str:
        match node:
            case ast.Constant(value=int(number)):
                return self._number(int(number), node)
            case ast.Name(id=name):
                return self._read(name, node)
            case ast.Subscript():
                return self._load(*self._place(node))
            case ast.BinOp(left=left, op=op, right=right):
                return self._binary(node, op, self._value(left), self._value(right))
            case ast.UnaryOp(op=ast.USub(), operand=operand):
                return self._do(f"sub i64 0, {self._value(operand)}")
            case ast.UnaryOp(op=ast.Invert(), operand=operand):
                return self._do(f"xor i64 {self._value(operand)}, -1")
            case ast.Compare(ops=[op], comparators=[right]) if type(op) in _COMPARE:
                return self._do(f"zext i1 {self._compare(op, self._value(node.left), self._value(right))} to i64")
            case ast.Call():
                result, kind = self._call(node)
                if kind != "i64":
                    raise self._error(node)
                return result
            case ast.BoolOp(op=op, values=values):
                return self._one_of(op, values)
            case ast.IfExp() | ast.Compare() | ast.UnaryOp(op=ast.Not()):
                return self._chosen(node)
            case _:
                raise self._error(node)

    def _binary(self, node: ast.AST, op: ast.operator, left: str, right: str) -> str:
        if type(op) in _BINARY:
            return self._do(f"{_BINARY[type(op)]} i64 {left}, {right}")
        if not isinstance(op, ast.FloorDiv | ast.Mod):
            raise self._error(node)
        quotient = self._do(f"sdiv i64 {left}, {right}")
        rest = self._do(f"srem i64 {left}, {right}")
        # Downwards: one less where something is left over and the signs differ.
        differ = self._do(f"icmp slt i64 {self._do(f'xor i64 {rest}, {right}')}, 0")
        is_less = self._do(f"and i1 {self._do(f'icmp ne i64 {rest}, 0')}, {differ}")
        if isinstance(op, ast.FloorDiv):
            return self._do(f"sub i64 {quotient}, {self._do(f'zext i1 {is_less} to i64')}")
        return self._do(f"add i64 {rest}, {self._do(f'select i1 {is_less}, i64 {right}, i64 0')}")

    def _compare(self, op: ast.cmpop, left: str, right: str) -> str:
        return self._do(f"icmp {_COMPARE[type(op)]} i64 {left}, {right}")

    def _one_of(self, op: ast.boolop, values: Sequence[ast.expr]) -> str:
        """Translate ``and`` and ``or``: the first side that decides, or the last one."""
        slot, behind = self._slot(), self._label()
        for n, each in enumerate(values):
            value = self._value(each)
            self._lines.append(f"  store i64 {value}, ptr {slot}")
            if n < len(values) - 1:
                further = self._label()
                yes, no = (further, behind) if isinstance(op, ast.And) else (behind, further)
                self._end(f"br i1 {self._do(f'icmp ne i64 {value}, 0')}, label %{yes}, label %{no}")
                self._begin(further)
        self._begin(behind)
        return self._do(f"load i64, ptr {slot}")

    def _chosen(self, node: ast.expr) -> str:
        """Translate what is one value if a condition holds, and another one if not."""
        slot, yes, no, behind = self._slot(), self._label(), self._label(), self._label()
        self._branch(node.test if isinstance(node, ast.IfExp) else node, yes, no)
        self._begin(yes)
        value = self._value(node.body) if isinstance(node, ast.IfExp) else "1"
        self._lines.append(f"  store i64 {value}, ptr {slot}")
        self._end(f"br label %{behind}")
        self._begin(no)
        value = self._value(node.orelse) if isinstance(node, ast.IfExp) else "0"
        self._lines.append(f"  store i64 {value}, ptr {slot}")
        self._begin(behind)
        return self._do(f"load i64, ptr {slot}")

    def _call(self, node: ast.Call) -> tuple[str, str]:
        """Translate a call; return what it gives and of which type that is."""
        if not isinstance(node.func, ast.Name) or node.keywords:
            raise self._error(node)
        name = node.func.id
        called = self._function.__globals__.get(name)
        if called is None:
            values = [self._value(each) for each in node.args]
            if name == "int" and len(values) == 1:
                return values[0], "i64"
            if name == "abs" and len(values) == 1:
                is_less = self._do(f"icmp slt i64 {values[0]}, 0")
                return self._do(
                    f"select i1 {is_less}, i64 {self._do(f'sub i64 0, {values[0]}')}, i64 {values[0]}"
                ), "i64"
            if name in {"min", "max"} and len(values) == 2:
                is_first = self._do(f"icmp {'sle' if name == 'min' else 'sge'} i64 {values[0]}, {values[1]}")
                return self._do(f"select i1 {is_first}, i64 {values[0]}, i64 {values[1]}"), "i64"
        if not isinstance(called, FunctionType):
            raise self._error(node)
        kinds: list[Kind] = []
        passed: list[str] = []
        for each in node.args:
            if isinstance(each, ast.Name) and each.id in self._buffers:
                pointer, buffer = self._buffers[each.id]
                kinds.append(buffer)
                passed.append(f"ptr {pointer}")
            else:
                kinds.append(None)
                passed.append(f"i64 {self._value(each)}")
        results = results_of(called)
        kind = "i64" if results <= 1 else "{ " + ", ".join(["i64"] * results) + " }"
        return self._do(f"call {kind} @{self._module.function(called, tuple(kinds))}({', '.join(passed)})"), kind

    # --- conditions -------------------------------------------------------------------------------------------

    def _branch(self, node: ast.expr, yes: str, no: str) -> None:
        """Go on at one of two labels."""
        match node:
            case ast.UnaryOp(op=ast.Not(), operand=operand):
                self._branch(operand, no, yes)
            case ast.BoolOp(op=op, values=values):
                for each in values[:-1]:
                    further = self._label()
                    self._branch(each, *((further, no) if isinstance(op, ast.And) else (yes, further)))
                    self._begin(further)
                self._branch(values[-1], yes, no)
            case ast.Compare(ops=[ast.In() | ast.NotIn() as way], comparators=[ast.Tuple(elts=items)]):
                value = self._value(node.left)
                found = "false"
                for item in items:
                    found = self._do(f"or i1 {found}, {self._do(f'icmp eq i64 {value}, {self._value(item)}')}")
                yes, no = (yes, no) if isinstance(way, ast.In) else (no, yes)
                self._end(f"br i1 {found}, label %{yes}, label %{no}")
            case ast.Compare(ops=ops, comparators=comparators) if all(type(op) in _COMPARE for op in ops):
                left = self._value(node.left)
                for n, (each_op, comparator) in enumerate(zip(ops, comparators, strict=True)):
                    right = self._value(comparator)
                    further = yes if n == len(ops) - 1 else self._label()
                    self._end(f"br i1 {self._compare(each_op, left, right)}, label %{further}, label %{no}")
                    if further != yes:
                        self._begin(further)
                    left = right
            case _:
                self._end(f"br i1 {self._do(f'icmp ne i64 {self._value(node)}, 0')}, label %{yes}, label %{no}")
