"""The compiler: only a run that finds no kept code loads it."""

import importlib
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from types import FunctionType
from typing import Any

import numpy as np

from thermal.machine import NAME, processor

_CONFIG = ".numba_config.yaml"
# All that compiled code may call: the mathematics of the C library.
_CALLED = {"exp", "log", "pow", "sin", "cos", "sqrt", "memset", "memcpy", "memmove"}


def load() -> Any:
    """Import numba so that it reads no settings from the working folder, now or later."""
    os.environ["NUMBA_DISABLE_INTEL_SVML"] = "1"  # the same code whether that library is there or not
    here = None
    if Path(_CONFIG).exists():
        here = os.getcwd()
        os.chdir(Path(__file__).parent)
    try:
        found = importlib.import_module("numba")
    finally:
        if here is not None:
            os.chdir(here)
    found.core.config._config_fname = str(Path(__file__).parent / _CONFIG)  # read again at every compilation
    importlib.import_module("numba.np.arrayobj")
    return found


def build(
    function: Any,
    args: tuple[Any, ...],
    inner_functions: Sequence[tuple[Any, bool]],
    space: dict[str, Any],
    options: dict[str, Any],
    *,
    apart: bool,
) -> bytes | Callable[..., None]:
    """Make the object code of a function for arguments of some kinds.

    Where that would need more than the C library, it cannot be kept, and the compiled function itself is returned. Of
    the inner functions it is said whether their bodies go into those that call them; `space` keeps them for the next.
    """
    numba = load()
    plain = {**options, "nogil": True, "_nrt": False}
    bare = {**plain, "no_cpython_wrapper": True, "no_cfunc_wrapper": True}  # what the interpreter does not call
    more = {"pipeline_class": _told_apart(numba)} if apart else {}
    if not space:
        _fill(space, numba, function, inner_functions, bare)
    copy = _in(space, function)
    inner = numba.njit(**bare, **more)(copy)
    unpack = _unpacker(numba, _type_of(numba, args))

    def entry(table):  # type: ignore[no-untyped-def]
        inner(*unpack(table))

    whole = numba.njit(**bare)(entry)
    signature = (numba.int64,)
    whole.compile(signature)
    llvm = processor().llvm
    module = llvm.parse_assembly(whole.inspect_llvm(signature))
    module.get_function(whole.overloads[signature].fndesc.llvm_func_name).name = NAME
    called = {f.name for f in module.functions if f.is_declaration and not f.name.startswith("llvm.")}
    if not called <= _CALLED:
        made: Callable[..., None] = numba.njit(**plain, **more)(copy)
        return made
    return bytes(processor().describe().emit_object(module))


def _fill(
    space: dict[str, Any],
    numba: Any,
    function: Any,
    inner_functions: Sequence[tuple[Any, bool]],
    options: dict[str, Any],
) -> None:
    """Fill in the globals of a function's module, with compiled copies of its inner functions."""
    space.update(function.__globals__)
    for each, inlined in inner_functions:
        more = {"forceinline": True} if inlined else {}
        space[each.__name__] = numba.njit(**options, **more)(_in(space, each))


def _in(space: dict[str, Any], function: Any) -> FunctionType:
    """Copy a function that finds its globals in `space`."""
    return FunctionType(function.__code__, space, function.__name__, function.__defaults__)


def _told_apart(numba: Any) -> Any:
    """Compiler class that takes it that arrays do not overlap; otherwise it makes no vectors."""
    # The way to tell it is not part of its public interface: where that has changed, the results are the same, more
    # slowly.
    try:
        kind = numba.core.compiler.CompilerBase
        build_pipeline = numba.core.compiler.DefaultPassBuilder.define_nopython_pipeline
        numba.core.compiler.Flags().noalias = True  # an error where there is no such thing
    except (AttributeError, TypeError):
        return numba.core.compiler.Compiler

    class Apart(kind):  # type: ignore[misc, valid-type]
        def define_pipelines(self) -> Any:
            self.state.flags.noalias = True
            return [build_pipeline(self.state)]

    return Apart


def _type_of(numba: Any, value: Any) -> Any:
    """Type of a value as `thermal.compiled` lays it out."""
    types = numba.core.types
    if isinstance(value, tuple):
        name = type(value) if hasattr(value, "_fields") else None
        return types.BaseTuple.from_types(tuple(_type_of(numba, each) for each in value), name)
    if isinstance(value, np.ndarray):
        return types.Array(numba.from_dtype(value.dtype), value.ndim, "C")
    return types.float64 if isinstance(value, float) else types.int64


def _unpacker(numba: Any, wanted: Any) -> Any:
    """Compiled function that reads arguments of the wanted types from the table at an address."""

    @numba.extending.intrinsic
    def unpack(typing_context, table):  # type: ignore[no-untyped-def]
        def generate(context, builder, signature, args):  # type: ignore[no-untyped-def]
            word = context.get_value_type(numba.int64)
            table = builder.inttoptr(args[0], word.as_pointer())
            places = iter(range(2**31))

            def take() -> Any:
                return builder.load(builder.gep(table, [word(next(places))]))

            return _value(numba, context, builder, wanted, take)

        return wanted(table), generate

    return unpack


def _value(numba: Any, context: Any, builder: Any, wanted: Any, take: Any) -> Any:
    """Generate what makes a value of the words that `take` reads one after the other."""
    types = numba.core.types
    if isinstance(wanted, types.BaseTuple):
        parts = [_value(numba, context, builder, each, take) for each in wanted.types]
        return context.make_tuple(builder, wanted, parts)
    if isinstance(wanted, types.Array):
        kind = context.get_data_type(wanted.dtype)
        size = context.get_abi_sizeof(kind)
        data = builder.inttoptr(take(), kind.as_pointer())
        shape = [take() for _ in range(wanted.ndim)]
        strides = [context.get_constant(types.intp, size)]
        for length in shape[:0:-1]:
            strides.insert(0, builder.mul(strides[0], length))
        made = context.make_array(wanted)(context, builder)
        numba.np.arrayobj.populate_array(made, data, shape, strides, size, None)
        return made._getvalue()
    return builder.bitcast(take(), context.get_value_type(wanted))
