"""Make the sample logs anew, byte for byte the same: ``python sample_logs/make_samples.py``.

With the name of a folder behind it, they go there instead.
"""

from __future__ import annotations

import gzip
import re
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tester_at_work import tester_list, with_tester

from buslens.capture._lin_kernel import checksum, protected
from buslens.rehearsal.oscilloscope import wire_trace
from buslens.rehearsal.rehearse import Rehearsal, rehearse, rendered, write_rehearsal


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One recording of the invented fleet."""

    file: str
    #: What is rehearsed, see ``buslens rehearse --list``.
    fault: str
    seed: int
    begins: str = "parked"
    #: Form of the log; None: as the file name says.
    form: str | None = None
    temperature: float | None = None

    def rehearse(self) -> Rehearsal:
        """Let it happen."""
        return rehearse(
            self.fault,
            seed=self.seed,
            begins=self.begins,
            form=self.form,
            temperature=self.temperature,
            background_ids=2,
            car_number=int(self.file[3:5]),
        )


SAMPLES: Final = (
    Sample(file="car01_healthy.log", fault="healthy", seed=101),
    Sample(file="car01_healthy_hot_day.asc", fault="healthy", seed=102, temperature=48.0),
    Sample(file="car02_retry.log", fault="retry", seed=103),
    Sample(file="car02_door_shuts_again.asc", fault="door-shuts-again", seed=104),
    Sample(file="car02_two_close_together.log.gz", fault="two-close-together", seed=105),
    Sample(file="car03_load_fuse_blown.log", fault="load-fuse-blown", seed=106),
    Sample(file="car03_load_fuse_blown_on_the_way.asc", fault="load-fuse-blown", seed=107, begins="driving"),
    Sample(file="car03_after_repair.log", fault="healthy", seed=108),
    Sample(file="car04_logic_fuse_blown.asc", fault="logic-fuse-blown", seed=109),
    Sample(file="car04_ground_open.log", fault="ground-open", seed=110),
    Sample(file="car05_enable_open.log", fault="enable-open", seed=111),
    Sample(file="car05_enable_shorted_on.asc", fault="enable-shorted-on", seed=112),
    Sample(file="car06_unlock_feedback_open.log", fault="unlock-feedback-open", seed=113),
    Sample(file="car06_unlock_feedback_stuck.asc", fault="unlock-feedback-stuck", seed=114, form="asc-dec"),
    Sample(file="car06_data_line_open.log", fault="data-line-open", seed=115),
    Sample(file="car07_feedbacks_disagree.asc", fault="feedbacks-disagree", seed=116, form="asc-relative"),
    Sample(file="car07_slow_motor.log", fault="slow-motor", seed=117),
    Sample(file="car07_sluggish.log", fault="sluggish", seed=118),
    Sample(file="car07_sluggish_slow_recording.asc", fault="slow-recording", seed=118),
    Sample(file="car08_supply_contact_bad.log", fault="supply-contact-bad", seed=120),
    Sample(file="car08_jammed_bolt.asc", fault="jammed-bolt", seed=121),
    Sample(file="car08_intermittent_connector.log", fault="intermittent-connector", seed=122),
    Sample(file="car09_low_battery.log", fault="low-battery", seed=123, form="candump-screen"),
    Sample(file="car09_new_unit.log", fault="new-unit", seed=124),
    Sample(file="car10_cleared_unit.asc", fault="cleared-unit", seed=125),
    Sample(file="car10_lock_commanded_with_ignition_on.log", fault="lock-commanded-with-ignition-on", seed=126),
    Sample(file="car11_message_timeout.asc", fault="message-timeout", seed=127),
    Sample(file="car11_clock_jump.log", fault="clock-jump", seed=128),
    Sample(file="car12_cut_short.log", fault="cut-short", seed=129),
    Sample(file="car12_nobody_comes.log", fault="nobody-comes", seed=130, form="candump-delta"),
)
"""All of them, in the order in which to look at them."""


def with_data_line(bus: bytes) -> bytes:
    """Return an ASC log with the LIN rows of the data line: one before each frame that says what came over it.

    The control unit asks with identifier 13. The lock unit answers two bytes with the enhanced checksum, or not at all.
    """
    rows = []
    for number, row in enumerate(bus.splitlines()):
        match = re.match(rb"\s*(\d+\.\d+) 1  137 .* d 8 (\S\S)", row)
        if match is not None:
            stamp = b"   %s Li  13              " % match[1]
            end = int(match[2], 16) >> 1 & 3
            answer = bytes([end, number & 15])
            words = [int.from_bytes(answer, "little")]
            found = checksum(words, 0, len(answer), protected(0x13))
            said = f"Rx   2 {answer.hex(' ').upper()}  checksum = {found:02X}".encode()
            rows.append(stamp + (said if end else b"TransmErr"))
        rows.append(row)
    return b"\n".join([*rows, b""])


def instruments() -> dict[str, bytes]:
    """Return by file what a tester and an oscilloscope showed beside the bus."""
    fuse = rehearse("load-fuse-blown", seed=131, background_ids=2, car_number=3)
    asked = rehearse("load-fuse-blown", seed=132, background_ids=2, car_number=3)
    motor = rehearse("slow-motor", seed=117, background_ids=2, car_number=7)
    trace = wire_trace(motor, from_s=3.0, to_s=5.5, per_second=4_000, wires=("Enable", "Feedback"))
    broken = next(it for it in SAMPLES if it.file == "car05_enable_open.log").rehearse()
    loose = rehearse("intermittent-connector", seed=133, background_ids=2, car_number=8, form="asc")
    wires = wire_trace(broken, per_second=500, by_day=True)
    return {
        "tester_list_car03.csv": tester_list(fuse, 5.0).encode("ascii"),
        "car03_tester_at_work.log": with_tester(asked),
        "car08_data_line.asc": with_data_line(rendered(loose, "asc")),
        "scope_trace_car07.csv.gz": gzip.compress(trace.encode("ascii"), 9, mtime=0),
        "wires_car05.csv.gz": gzip.compress(wires.encode("ascii"), 9, mtime=0),
    }


def main(folder: Path) -> None:
    """Write all samples into a folder."""
    for name, content in instruments().items():
        (folder / name).write_bytes(content)
        sys.stdout.write(f"{name}\n")
    for sample in SAMPLES:
        path = write_rehearsal(sample.rehearse(), folder / sample.file)
        sys.stdout.write(f"{path.name}\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
