from __future__ import annotations

import os
import stat
import subprocess
import sys
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.patience import HANG_S

from buslens import kernels
from buslens.capture import _candump_wide_kernel as wide
from buslens.capture import _scan_kernel as k

if TYPE_CHECKING:
    from pathlib import Path

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

    def test_functions_that_it_calls_are_twins_too(self) -> None:
        twin = kernels.compiled(wide.are_hex)
        assert twin is not None
        assert twin.py_func.__globals__["hex_mask"] is kernels._CALLED[wide.hex_mask]
        assert wide.are_hex.__globals__["hex_mask"] is wide.hex_mask

    def test_without_a_compiler(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setitem(sys.modules, "numba", None)
        assert kernels.compiled(k.fd_code) is None

    def test_settings_of_others_are_left_alone(self) -> None:
        import numba

        before = numba.config.CACHE_DIR
        kernels.compiled(k.line_end)
        assert before == numba.config.CACHE_DIR


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


@pytest.mark.slow
class TestCacheFolder:
    """Compiled code is kept in a folder of our own; without one, nothing is kept and all works."""

    @pytest.mark.skipif(os.name == "nt", reason="the system says there where caches lie, and not the environment")
    def test_second_start_says_nothing(self, tmp_path: Path) -> None:
        home = {"XDG_CACHE_HOME": str(tmp_path), "LOCALAPPDATA": str(tmp_path), "HOME": str(tmp_path)}
        first, second = run(**home), run(**home)
        assert first[0].startswith("told: compiling the reader")
        assert first[1:] == second == ["12 True"]

    @pytest.mark.skipif(not hasattr(os, "getuid"), reason="rights of folders are those of POSIX")
    def test_nowhere_to_write(self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
        nowhere = tmp_path / "a file"
        nowhere.write_text("")
        monkeypatch.setattr(kernels, "_places", lambda: iter([nowhere, nowhere / "below"]))
        assert kernels.cache_folder("1") is None

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
        folder = kernels.cache_folder("1")
        assert folder is not None
        assert stat.S_IMODE(folder.stat().st_mode) & 0o022 == 0
        (tmp_path / "mine").chmod(0o777)
        assert kernels.cache_folder("1") is None

    def test_name_changes_with_any_kernel(self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
        monkeypatch.setattr(kernels, "_places", lambda: iter([tmp_path]))
        monkeypatch.setattr(kernels, "_PACKAGE", tmp_path / "package")
        (tmp_path / "package").mkdir()
        one, two = tmp_path / "package" / "_one_kernel.py", tmp_path / "package" / "_two_kernel.py"
        one.write_text("a = 1\n")
        two.write_text("b = 1\n")
        before = kernels.cache_folder("1")
        assert kernels.cache_folder("1") == before
        two.write_text("b = 2\n")
        assert kernels.cache_folder("1") != before
        assert kernels.cache_folder("2") != before


class TestStart:
    """A small capture is read without the compiler being imported."""

    def test_no_compiler(self, tmp_path: Path) -> None:
        log = tmp_path / "small.log"
        log.write_bytes(b"(1.000000) can0 101#11\n" * 5000)
        program = (
            "import sys\n"
            "from buslens.capture.open import open_capture\n"
            "from buslens.capture.reduce import reduce_frames\n"
            f"capture = open_capture({str(log)!r})\n"
            "reduce_frames(capture, wanted=None, make=list, update=list.append, merge=list.extend)\n"
            "print('numba' in sys.modules, 'pandas' in sys.modules, 'can' in sys.modules)\n"
        )
        done = subprocess.run(
            [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=HANG_S
        )
        assert done.stdout.split() == ["False", "False", "False"]
