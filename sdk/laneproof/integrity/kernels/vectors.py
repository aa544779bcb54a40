"""Vectors of 32 bytes as a type that kernels can use, and what can be done with them.

They are spelt out because, left to itself, the compiler takes the widest that there are, with which reading is a fifth
slower. Where the processor has none so wide, it makes two out of one. numba keeps the kernels that use them on disk and
does not see a change in here: change `compiled`, `places` and `displaced` too.
"""

from __future__ import annotations

import importlib
from typing import Any

from laneproof.integrity.kernels.compiling import numba

VECTOR = 32
"""Bytes in one."""

_extending: Any = numba.extending
_cgutils: Any = importlib.import_module("numba.core.cgutils")
_ir: Any = importlib.import_module("llvmlite.ir")
_LANES = _ir.VectorType(_ir.IntType(64), VECTOR // 8)


class _Vector(numba.types.Type):
    """Four lanes of 64 bits."""


_vector = _Vector("laneproof.Vector")


@_extending.register_model(_Vector)
def _model(manager: Any, kind: Any) -> Any:
    return _extending.models.PrimitiveModel(manager, kind, _LANES)


def _address(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
    array = _cgutils.create_struct_proxy(signature.args[0])(context, builder, arguments[0])
    return builder.bitcast(builder.gep(array.data, [arguments[1]]), _LANES.as_pointer())


@_extending.intrinsic
def load(_context: Any, array: Any, place: Any) -> Any:
    """array[place : place + VECTOR], unchecked."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        loaded = builder.load(_address(context, builder, signature, arguments))
        loaded.align = 1
        return loaded

    return _vector(array, numba.int64), generate


@_extending.intrinsic
def store(_context: Any, array: Any, place: Any, _value: Any) -> Any:
    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        builder.store(arguments[2], _address(context, builder, signature, arguments)).align = 1
        return context.get_dummy_value()

    return numba.void(array, numba.int64, _vector), generate


@_extending.intrinsic
def store_past_caches(_context: Any, array: Any, place: Any, _value: Any) -> Any:
    """As `store`, to an aligned address."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        stored = builder.store(arguments[2], _address(context, builder, signature, arguments))
        stored.align = VECTOR
        stored.set_metadata("nontemporal", builder.module.add_metadata([_ir.Constant(_ir.IntType(32), 1)]))
        return context.get_dummy_value()

    return numba.void(array, numba.int64, _vector), generate


@_extending.intrinsic
def in_order(_context: Any) -> Any:
    """What was written past the caches is seen before what is written from now on."""

    def generate(context: Any, builder: Any, _signature: Any, _arguments: Any) -> Any:
        builder.fence("seq_cst")
        return context.get_dummy_value()

    return numba.void(), generate


@_extending.intrinsic
def repeated(_context: Any, _lane: Any) -> Any:
    """A vector of one lane's value."""

    def generate(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        vector = _ir.Constant(_LANES, _ir.Undefined)
        for lane in range(_LANES.count):
            vector = builder.insert_element(vector, arguments[0], _ir.Constant(_ir.IntType(32), lane))
        return vector

    return _vector(numba.int64), generate


def _instruction(name: str) -> Any:
    @_extending.intrinsic
    def apply(_context: Any, _one: Any, _two: Any) -> Any:
        def generate(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            return getattr(builder, name)(*arguments)

        return _vector(_vector, _vector), generate

    return apply


xor, either, both, plus = _instruction("xor"), _instruction("or_"), _instruction("and_"), _instruction("add")


@_extending.intrinsic
def ones(_context: Any, _one: Any) -> Any:
    """How many bits of each lane are 1."""

    def generate(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        kind = _ir.FunctionType(_LANES, [_LANES])
        return builder.call(_cgutils.get_or_insert_function(builder.module, kind, "llvm.ctpop.v4i64"), arguments)

    return _vector(_vector), generate


@_extending.intrinsic
def total(_context: Any, _one: Any) -> Any:
    """The lanes together."""

    def generate(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        lanes = [
            builder.extract_element(arguments[0], _ir.Constant(_ir.IntType(32), lane)) for lane in range(_LANES.count)
        ]
        return builder.add(builder.add(lanes[0], lanes[1]), builder.add(lanes[2], lanes[3]))

    return numba.int64(_vector), generate


@_extending.intrinsic
def any_bit(_context: Any, _one: Any) -> Any:
    """Whether a bit is 1."""

    def generate(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        whole = _ir.IntType(8 * VECTOR)
        return builder.icmp_unsigned("!=", builder.bitcast(arguments[0], whole), _ir.Constant(whole, 0))

    return numba.boolean(_vector), generate


@_extending.intrinsic
def differing(_context: Any, _one: Any, _two: Any) -> Any:
    """How many bytes differ."""

    def generate(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        bytes_of_it = _ir.VectorType(_ir.IntType(8), VECTOR)
        one, two = (builder.bitcast(argument, bytes_of_it) for argument in arguments)
        differ = builder.bitcast(builder.icmp_unsigned("!=", one, two), _ir.IntType(VECTOR))
        return builder.zext(builder.ctpop(differ), _ir.IntType(64))

    return numba.int64(_vector, _vector), generate


@_extending.intrinsic
def load_word(_context: Any, array: Any, place: Any) -> Any:
    """The 64 bits of array[place : place + 8], unchecked; the first one is the most significant."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        address = builder.bitcast(_address(context, builder, signature, arguments), _ir.IntType(64).as_pointer())
        loaded = builder.load(address)
        loaded.align = 1
        return builder.bswap(loaded)

    return numba.uint64(array, numba.int64), generate
