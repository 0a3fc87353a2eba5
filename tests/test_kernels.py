from __future__ import annotations

import errno
import os
import stat
import subprocess
import sys
from typing import TYPE_CHECKING, NoReturn

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support import trial_kernels
from support.examples import examples
from support.patience import HANG_S

from buslens import kernel_code, kernels
from buslens.capture import _candump_wide_kernel as wide
from buslens.capture import _scan_kernel as k
from buslens.kernel_code import KernelSyntaxError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from types import FunctionType

_PROGRAM = """
import sys
from buslens.capture._scan_kernel import fd_length
from buslens.kernels import compiled
twin = compiled(fd_length, lambda sentence: print("told:", sentence))
print(twin(9), twin is compiled(fd_length))
"""


def run(**environment: str) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", _PROGRAM],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=True,
        timeout=HANG_S,
    )
    return done.stdout.splitlines()


class TestCompiled:
    """The compiled twin gives what the function gives, and is made once."""

    @given(st.integers(-5, 70))
    @settings(deadline=None)
    def test_same_result(self, length: int) -> None:
        twin = kernels.compiled(k.fd_code)
        assert twin is not None
        assert twin(length) == k.fd_code(length)

    def test_made_once(self) -> None:
        assert kernels.compiled(k.fd_code) is kernels.compiled(k.fd_code)

    def test_without_a_compiler(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(kernels, "_COMPILED", {})
        monkeypatch.setitem(sys.modules, "llvmlite.binding", None)
        assert kernels.compiled(k.fd_code) is None

    def test_without_the_text_of_the_kernels(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def gone(_: object) -> NoReturn:
            raise OSError

        monkeypatch.setattr(kernels, "_COMPILED", {})
        monkeypatch.setattr(kernel_code, "definition", gone)
        assert kernels.compiled(k.fd_code) is None


class TestMeaning:
    """Machine code means what Python means."""

    _numbers = st.one_of(st.integers(-12, 30), st.integers(-(2**28), 2**28))

    @pytest.mark.parametrize("kernel", trial_kernels.OF_TWO, ids=lambda kernel: kernel.__name__)
    @given(numbers=st.lists(st.tuples(_numbers, _numbers), min_size=20, max_size=40))
    @settings(deadline=None)
    def test_whole_numbers(self, kernel: Callable[[int, int], int], numbers: list[tuple[int, int]]) -> None:
        twin = kernels.compiled(kernel)
        assert twin is not None
        for a, b in numbers:
            few = (a % 100, b) if kernel is trial_kernels.loops else (a, b)
            assert (few, twin(*few)) == (few, kernel(*few))

    @given(st.binary(min_size=16, max_size=16), st.integers(0, 8))
    @settings(deadline=None)
    def test_buffers(self, content: bytes, start: int) -> None:
        text = np.frombuffer(content, np.uint8)
        words = np.ndarray((9,), "<i8", buffer=content, strides=(1,))  # from each place on, so not aligned
        runs = []
        for run in (trial_kernels.buffers, kernels.compiled(trial_kernels.buffers)):
            assert run is not None
            columns = np.zeros(8, np.uint16), np.zeros(8, np.int16), np.zeros(9, np.int64)
            with np.errstate(over="ignore"):  # Python's side meets the limits of numpy's numbers, and wraps as we do
                found = run(*((text, words) if run is not trial_kernels.buffers else (content, words)), *columns, start)
            runs.append((int(found), *map(bytes, columns)))
        assert runs[0] == runs[1]

    @pytest.mark.parametrize("kernel", trial_kernels.FORBIDDEN, ids=lambda kernel: kernel.__name__)
    def test_what_breaks_a_rule(self, kernel: FunctionType) -> None:
        with pytest.raises(KernelSyntaxError, match=r"support\.trial_kernels, line [1-9]"):
            kernel_code.translate(kernel, [kernel_code.Buffer(8, False, 1), None])


class TestWords:
    """Arithmetic on words agrees with looking at one character after the other."""

    _text = st.one_of(
        st.binary(min_size=8, max_size=8),
        st.lists(st.sampled_from(b"0123456789abcdefABCDEF/:@G`g\x00\xb0"), min_size=8, max_size=8).map(bytes),
        st.from_regex(rb"[0-9]{8}", fullmatch=True),
        st.from_regex(rb"[0-9A-Fa-f]{8}", fullmatch=True),
    )

    @given(_text)
    @settings(max_examples=examples(160), deadline=None)
    def test_classes_and_values(self, text: bytes) -> None:
        word = int(np.frombuffer(text, "<i8")[0])
        code = np.array(k.character_codes(), np.int64)
        are_digits, are_hex = kernels.compiled(wide.are_digits), kernels.compiled(wide.are_hex)
        decimal, four_bytes = kernels.compiled(wide.decimal), kernels.compiled(wide.four_bytes)
        assert are_digits is not None
        assert are_hex is not None
        assert decimal is not None
        assert four_bytes is not None
        hexadecimal = all(c in b"0123456789abcdefABCDEF" for c in text)
        assert bool(are_digits(word, code)) == all(c in b"0123456789" for c in text)
        assert bool(are_hex(word, code)) == hexadecimal
        if all(c in b"0123456789" for c in text):
            assert decimal(word) == int(text)
        if hexadecimal:
            assert four_bytes(word) == int.from_bytes(bytes.fromhex(text.decode()), "little")


class TestCacheFolder:
    """Compiled code is kept in a folder of our own; without one, nothing is kept and all works."""

    @pytest.mark.skipif(os.name == "nt", reason="the system says there where caches lie, and not the environment")
    def test_second_start_says_nothing(self, tmp_path: Path) -> None:
        home = {"XDG_CACHE_HOME": str(tmp_path), "LOCALAPPDATA": str(tmp_path), "HOME": str(tmp_path)}
        first, second = run(**home), run(**home)
        assert first[0].startswith("told: preparing")
        assert first[1:] == second == ["12 True"]

    @pytest.mark.skipif(not hasattr(os, "getuid"), reason="rights of folders are those of POSIX")
    def test_nowhere_to_write(self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
        nowhere = tmp_path / "a file"
        nowhere.write_text("")
        monkeypatch.setattr(kernels, "_places", lambda: iter([nowhere, nowhere / "below"]))
        assert kernels.cache_folder() is None

    def test_a_home_that_is_no_folder(self, tmp_path: Path) -> None:
        nowhere = tmp_path / "a file"
        nowhere.write_text("")
        found = run(XDG_CACHE_HOME=str(nowhere), HOME=str(nowhere), LOCALAPPDATA=str(nowhere), TMPDIR=str(tmp_path))
        assert found[-1] == "12 True"

    @pytest.mark.skipif(not hasattr(os, "getuid"), reason="rights of folders are those of POSIX")
    def test_a_folder_that_others_can_write_to_is_not_used(
        self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
    ) -> None:
        monkeypatch.setattr(kernels, "_places", lambda: iter([tmp_path / "mine"]))
        folder = kernels.cache_folder()
        assert folder is not None
        assert stat.S_IMODE(folder.stat().st_mode) & 0o022 == 0
        (tmp_path / "mine").chmod(0o777)
        assert kernels.cache_folder() is None

    def test_name_changes_with_any_kernel(self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
        monkeypatch.setattr(kernels, "_places", lambda: iter([tmp_path]))
        monkeypatch.setattr(kernels, "_PACKAGE", tmp_path / "package")
        (tmp_path / "package").mkdir()
        one, two = tmp_path / "package" / "_one_kernel.py", tmp_path / "package" / "_two_kernel.py"
        one.write_text("a = 1\n")
        two.write_text("b = 1\n")
        before = kernels.cache_folder()
        assert kernels.cache_folder() == before
        two.write_text("b = 2\n")
        assert kernels.cache_folder() != before

    def test_name_changes_with_the_machine(self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
        monkeypatch.setattr(kernels, "_places", lambda: iter([tmp_path]))
        before = kernels.cache_folder()
        monkeypatch.setattr("buslens.machine_code.machine", lambda: "another")
        assert kernels.cache_folder() != before

    def test_a_damaged_file_is_made_anew(self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
        monkeypatch.setattr(kernels, "_places", lambda: iter([tmp_path]))
        for damage in (None, b"", b"x" * 100, lambda held: held[:-1], lambda held: held[:40] + b"?" + held[41:]):
            monkeypatch.setattr(kernels, "_COMPILED", {})
            for path in tmp_path.rglob("*.o"):
                path.write_bytes(damage(path.read_bytes()) if callable(damage) else damage or b"")
            twin = kernels.compiled(k.fd_length)
            assert twin is not None
            assert twin(9) == 12

    def test_nothing_more_can_be_written(self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
        def full(*_: object) -> NoReturn:
            raise OSError(errno.ENOSPC, "full")

        monkeypatch.setattr(kernels, "_places", lambda: iter([tmp_path]))
        monkeypatch.setattr(kernels, "_COMPILED", {})
        monkeypatch.setattr("buslens.files.write_atomically", full)
        twin = kernels.compiled(k.fd_length)
        assert twin is not None
        assert twin(9) == 12
        assert not list(tmp_path.rglob("*.o"))


class TestStart:
    """A small capture is read without the compiler being imported."""

    def test_no_compiler(self, tmp_path: Path) -> None:
        log = tmp_path / "small.log"
        log.write_bytes(b"(1.000000) can0 101#11\n" * 5000)
        program = (
            "import sys\n"
            "from buslens.capture.open import open_capture\n"
            "from buslens.capture.reduce import reduce_frames\n"
            f"log = open_capture({str(log)!r})\n"
            "reduce_frames(log, wanted=None, make=list, update=list.append, merge=list.extend)\n"
            "print('llvmlite' in sys.modules, 'pandas' in sys.modules, 'can' in sys.modules)\n"
        )
        done = subprocess.run(
            [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=HANG_S
        )
        assert done.stdout.split() == ["False", "False", "False"]
