"""Random candump logs: common and rare lines, disorder, clocks that run back, damage."""

from __future__ import annotations

from hypothesis import strategies as st

LABELS = (b"can0", b"can1", b"vcan12", b"a-rather-long-name", b"c")
IDS = (b"101", b"202", b"7FF", b"00000101", b"1FFFFFFF", b"12345678")

_bytes = st.sampled_from((0, 1, 3, 7, 8, 8, 8)).flatmap(lambda n: st.binary(min_size=n, max_size=n))
_fd_bytes = st.sampled_from((0, 5, 8, 12, 64)).flatmap(lambda n: st.binary(min_size=n, max_size=n))
_payload = st.one_of(
    _bytes.map(lambda data: b"#" + data.hex().upper().encode()),
    _bytes.map(lambda data: b"#" + data.hex().encode()),
    st.sampled_from((b"#R", b"#R8", b"#R8_C", b"#0102030405060708_B")),
    st.tuples(st.sampled_from(b"0125F"), _fd_bytes).map(lambda pair: b"##" + bytes([pair[0]]) + pair[1].hex().encode()),
    st.sampled_from(
        (
            b"#1",
            b"#1G",
            b"#0123456789ABCDEg",
            b"#@`",
            b"#112233445566778899",
            b"##",
            b"##0112233445566778899",
            b" 11",
            b"#0102_9",
        )
    ),
)
_frame = st.tuples(
    st.sampled_from(LABELS),
    st.one_of(st.sampled_from(IDS), st.sampled_from((b"20000040", b"20000204", b"800", b"40000000", b"01"))),
    _payload,
    st.sampled_from((b"", b"", b"", b" R", b" T", b" t", b"  ", b" X")),
)
_noise = st.sampled_from(
    (b"", b"# remark", b"garbage", b"(1.0", b"(4000000000.0) can0 101#", b"\xff\xfe", b"(1)can0 101#")
)
_end = st.sampled_from((b"\n", b"\n", b"\n", b"\r\n", b"\0\0\0\n", b"\0\0"))

_ms = 1_000_000
_step_ns = st.one_of(
    st.integers(0, 3 * _ms),
    st.sampled_from((0, -1, -5 * _ms, -100 * _ms, -100 * _ms - 1, 10 * _ms, -10_000 * _ms, 7_000 * _ms, 140 * _ms)),
)


def common_lines() -> st.SearchStrategy[bytes]:
    """Draw logs of the lines that candump writes on a healthy bus."""
    common = st.tuples(st.sampled_from(LABELS[:2]), st.sampled_from(IDS), _bytes, st.integers(0, 12 * _ms))

    def write(frames: list[tuple[bytes, bytes, bytes, int]]) -> bytes:
        time_ns, log = 1_700_000_000_000_000_000, b""
        for label, can_id, data, step in frames:
            time_ns += step // 1000 * 1000
            whole, part = divmod(time_ns // 1000, 1_000_000)
            log += b"(%d.%06d) %b %b#%b\n" % (whole, part, label, can_id, data.hex().upper().encode())
        return log

    return st.lists(common, max_size=60).map(write)


def any_lines() -> st.SearchStrategy[bytes]:
    """Draw logs in which everything occurs that may occur; the first line is a frame."""
    line = st.one_of(st.tuples(_frame, _step_ns, st.sampled_from((6, 6, 6, 9, 3, 0)), _end), st.tuples(_noise, _end))

    def write(lines: list[tuple[object, ...]], *, has_end: bool) -> bytes:
        time_ns, log = 1_700_000_000_000_000_000, b"(1700000000.000000) can0 101#\n"
        for entry in lines:
            if len(entry) == 2:
                log += b"".join(entry)  # type: ignore[arg-type]
                continue
            (label, can_id, payload, tail), step, digits, end = entry  # type: ignore[misc]
            time_ns = max(time_ns + step, 0)
            whole, part = divmod(time_ns, 1_000_000_000)
            text = b"%09d" % part
            stamp = b"%d" % whole + (b"." + text[:digits] if digits else b"")
            log += b"(" + stamp + b") " + label + b" " + can_id + payload + tail + end
        return log if has_end else log.rstrip(b"\n")

    return st.tuples(st.lists(line, max_size=50), st.booleans()).map(lambda pair: write(pair[0], has_end=pair[1]))
