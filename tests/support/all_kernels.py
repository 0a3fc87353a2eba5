"""Compiles every kernel that reads a log or counts its frames: once for all processes of a run, beside other tests.

python -m support.all_kernels DONE [tables]

makes the file DONE as soon as there is nothing more to do, however that came.
"""

from __future__ import annotations

import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from support.tables import Written, traffic

from buslens.capture import values
from buslens.capture.open import open_capture
from buslens.capture.reduce import reduce_frames
from buslens.fleet.check_job import make_ready


def make_all(*, tables: bool) -> None:
    """Compile what has never been compiled, those of tables only if asked for; it lies in the cache then."""
    make_ready()
    if not tables:
        return
    with TemporaryDirectory() as folder:
        rows = Path(folder) / "rows.csv"
        for written in (Written(time="s.6"), Written(columns=["id", "length", "data"])):
            rows.write_bytes(written.text(traffic(1, n_ids=4, n=60)))
            capture = open_capture(rows)
            reduce_frames(capture, wanted=None, make=list, update=list.append, merge=list.extend, plain_bytes=0)
        table = Path(folder) / "values.csv"
        table.write_text("Time (s),Lamp,Supply (V)\n0.0,Off,12.1\n0.1,On,12.0\n", "ascii")
        opened = values.open_values(table, ["Lamp", "Supply"])
        assert opened is not None
        values._PLAIN_BYTES = -1  # type: ignore[misc]
        values.read_values(opened, lambda _: None, as_text=[True, False])


if __name__ == "__main__":
    try:
        make_all(tables="tables" in sys.argv[2:])
    finally:
        Path(sys.argv[1]).touch()
