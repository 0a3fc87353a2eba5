"""Fuzz one target, or all of them in turn.

    python tests/fuzz/run.py candump --seconds 300 --corpus FOLDER
    python tests/fuzz/run.py --list

With atheris (libFuzzer) mutations are led by the branches that they reach; without it they are made blindly from the
seeds. An input that breaks a promise is written to the corpus folder as ``crash-...`` and the exit status is 1. Run it
with NUMBA_BOUNDSCHECK=1 and a cache folder of its own to see compiled kernels reach out of their buffers, or with
--guarded, in which no kernel is compiled, to see what the compiler's check does not: `support.guarded_kernels`.
"""

from __future__ import annotations

import argparse
import hashlib
import random
import re
import sys
import time
import traceback
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

sys.path.insert(0, str(Path(__file__).parents[1]))

if TYPE_CHECKING:
    from types import ModuleType

LARGEST = 4096
_WORD = re.compile(rb'"[^"\n]*"|[\w.+-]+')


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("target", nargs="?")
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--corpus", type=Path, default=Path("fuzz_corpus"))
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--input", type=Path, help="run this one input, and nothing else")
    parser.add_argument("--guarded", action="store_true", help="kernels run uncompiled, and every index is looked at")
    options = parser.parse_args()
    atheris = _atheris()
    if atheris is not None and not options.list and options.input is None:
        _instrument(atheris, are_compiled=not options.guarded)
    if options.guarded:
        from support.guarded_kernels import guard

        guard()
    from fuzz.targets import TARGETS, attempt

    warnings.simplefilter("error")
    if options.list or options.target not in TARGETS:
        print(*TARGETS, sep="\n")
        return 0 if options.list else 2
    if options.input is not None:
        attempt(options.target, options.input.read_bytes())
        return 0
    corpus = options.corpus / options.target
    corpus.mkdir(parents=True, exist_ok=True)
    from fuzz.seeds import TOKENS, seeds

    for data in seeds(options.target):
        (corpus / hashlib.sha256(data).hexdigest()[:16]).write_bytes(data)
    tokens = [word.encode() for word in TOKENS.get(options.target, [])]
    if atheris is None:
        return _blindly(options.target, corpus, tokens, options.seconds)
    tokens = tokens or [b"\n"]  # an empty dictionary is an error
    words = corpus.parent / f"{options.target}.dict"
    quoted = ("".join(f"\\x{byte:02X}" for byte in word) for word in tokens)
    words.write_text("".join(f'"{word}"\n' for word in quoted))
    limits = [f"-max_total_time={options.seconds}", f"-max_len={LARGEST}", "-timeout=60", "-rss_limit_mb=2500"]
    if options.target in {"expectations", "causes", "ledger"}:
        limits[1] = "-max_len=60000"
    atheris.Setup(
        [sys.argv[0], str(corpus), f"-artifact_prefix={corpus.parent}/{options.target}-", f"-dict={words}", *limits],
        lambda data: attempt(options.target, data),
    )
    atheris.Fuzz()
    return 0


def _atheris() -> ModuleType | None:
    try:
        import atheris
    except ImportError:
        return None
    return atheris  # type: ignore[no-any-return]


def _instrument(atheris: Any, *, are_compiled: bool) -> None:
    """Import the product so that it reports its branches; what the compiler compiles stays as it was.

    The compiler takes the code of a kernel as it stands, and could make nothing of calls that report branches. So the
    kernels are compiled first, of a copy of the product that is then forgotten, and lent to the other copy.
    """
    from buslens import kernels
    from buslens.capture.registry import FORMATS
    from buslens.fleet._id_traffic_kernel import count

    for entry in FORMATS.values() if are_compiled else ():
        for kernel in (entry.kernel, entry.compiled_kernel, count):
            kernels.compiled(kernel)
    twins = {(kernel.__module__, kernel.__qualname__): twin for kernel, twin in kernels._COMPILED.items()}
    for name in [name for name in sys.modules if name.partition(".")[0] == "buslens"]:
        del sys.modules[name]
    with atheris.instrument_imports(include=["buslens"], enable_loader_override=False):
        import fuzz.seeds
        import fuzz.targets  # noqa: F401
    fresh = sys.modules["buslens.kernels"]
    for (module, name), twin in twins.items():
        fresh._COMPILED[getattr(sys.modules[module], name)] = twin  # type: ignore[attr-defined]


def _blindly(target: str, corpus: Path, tokens: list[bytes], seconds: int) -> int:
    from fuzz.targets import attempt

    inputs = [path.read_bytes() for path in sorted(corpus.iterdir()) if not path.name.startswith("crash-")]
    attempt(target, inputs[0])  # compiles what is to be compiled
    dice, started, runs = random.Random(target), time.monotonic(), 0
    while time.monotonic() - started < seconds:
        data = mutated(dice, inputs, tokens)
        runs += 1
        try:
            attempt(target, data)
        except Exception:
            path = corpus / f"crash-{hashlib.sha256(data).hexdigest()[:16]}"
            path.write_bytes(data)
            traceback.print_exc()
            print(f"after {runs} runs; the input is in {path}")
            return 1
    print(f"{target}: {runs} runs, nothing broken")
    return 0


def mutated(dice: random.Random, inputs: list[bytes], tokens: list[bytes]) -> bytes:
    """Return one of the inputs with up to four things changed in it."""
    data = bytearray(dice.choice(inputs)[: 16 * LARGEST])
    first = dice.choice((0, 6))  # bytes and all else, or whole lines and words only
    for _ in range(dice.randrange(1, 5)):
        place = dice.randrange(len(data) + 1)
        length = dice.randrange(1, 9)
        match dice.randrange(first, 10):
            case 0:
                data[place : place + 1] = bytes([dice.randrange(256)])
            case 1:
                del data[place : place + length]
            case 2:
                data[place:place] = data[place : place + dice.randrange(1, 200)]
            case 3:
                data[place:place] = dice.choice(tokens or [b"\0"])
            case 4:
                other = dice.choice(inputs)
                start = dice.randrange(len(other) + 1)
                data[place : place + length] = other[start : start + dice.randrange(1, 100)]
            case 5:
                data[place : place + length] = bytes(dice.randrange(256) for _ in range(length))
            case 6 | 7:
                data = _with_another_line(dice, data, dice.choice(inputs))
            case _:
                data = _with_another_word(dice, data, dice.choice(inputs))
    return bytes(data)


def _with_another_line(dice: random.Random, data: bytearray, other: bytes) -> bytearray:
    """Return a text with one of its lines left out, or with a line of another one put in or in its place."""
    lines = data.split(b"\n")
    place = dice.randrange(len(lines))
    end = place + dice.randrange(2)
    lines[place:end] = [bytearray(dice.choice(other.split(b"\n")))] if dice.random() < 0.7 else []
    return bytearray(b"\n".join(lines))


def _with_another_word(dice: random.Random, data: bytearray, other: bytes) -> bytearray:
    """Return a text in which another word, number or quoted text stands in the place of one."""
    words, others = list(_WORD.finditer(data)), _WORD.findall(other)
    if not words or not others:
        return data
    start, stop = dice.choice(words).span()
    return data[:start] + dice.choice(others) + data[stop:]


if __name__ == "__main__":
    raise SystemExit(main())
