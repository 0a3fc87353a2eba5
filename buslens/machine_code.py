"""Machine code for kernels, made by LLVM for the processor of this machine."""

from __future__ import annotations

import ctypes
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from buslens.kernel_code import ENTRY

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from buslens.kernel_code import Kind

_ENGINES: Final[list[Any]] = []
"""What holds loaded code; code goes with its engine, so none ever goes."""


def object_code(text: str) -> bytes:
    """Return a module in LLVM's language as object code for this machine."""
    from llvmlite import binding

    target = _target()
    module = binding.parse_assembly(text)
    module.verify()
    builder = binding.create_pass_builder(target, binding.create_pipeline_tuning_options(speed_level=3))
    builder.getModulePassManager().run(module, builder)
    return bytes(target.emit_object(module))


def load(code: bytes, kinds: Sequence[Kind]) -> Callable[..., int]:
    """Return object code as a function of whole numbers and of the addresses of buffers.

    Other threads of Python go on while it runs.
    """
    from llvmlite import binding

    engine = binding.create_mcjit_compiler(binding.parse_assembly(""), _target())
    engine.add_object_file(binding.ObjectFileRef.from_data(code))
    engine.finalize_object()
    _ENGINES.append(engine)
    types = [ctypes.c_int64 if kind is None else ctypes.c_void_p for kind in kinds]
    return ctypes.CFUNCTYPE(ctypes.c_int64, *types)(engine.get_function_address(ENTRY))


def machine() -> str:
    """Return the kind of machine that object code is for."""
    from llvmlite import binding

    return f"{binding.get_process_triple()} {binding.get_host_cpu_name()} {_features()}"


def _features() -> str:
    from llvmlite import binding

    try:
        return str(binding.get_host_cpu_features().flatten())
    except RuntimeError:  # not to be had on every system
        return ""


@cache
def _target() -> Any:
    """Return what stands for this machine."""
    from llvmlite import binding

    binding.initialize_native_target()
    binding.initialize_native_asmprinter()
    return binding.Target.from_triple(binding.get_process_triple()).create_target_machine(
        cpu=binding.get_host_cpu_name(), features=_features(), opt=3, jit=True
    )
