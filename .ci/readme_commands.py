"""Run the commands that stand in fenced ``sh`` blocks of the documentation, so that they cannot rot.

A line may end in ``# exit N`` to say that the command is to end with that status; without it, 0 is asked for. A block
marked ``sh skip`` is shown to readers and not run (it needs what a build server has not, and says so beside it).
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
from pathlib import Path

_BLOCK = re.compile(r"^```sh\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_STATUS = re.compile(r"#\s*exit (\d+)\s*$")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--block", type=int, help="run this block of README.md, counted from 1")
    parser.add_argument("--rest", nargs="+", type=Path, help="run every block of these files but README.md's first two")
    options = parser.parse_args()
    if options.block is not None:
        return _run(_blocks(Path("README.md"))[options.block - 1])
    for path in options.rest:
        blocks = _blocks(path)
        for block in blocks[2:] if path.name == "README.md" else blocks:
            status = _run(block)
            if status:
                return status
    return 0


def _blocks(path: Path) -> list[str]:
    return _BLOCK.findall(path.read_text(encoding="utf-8"))


def _run(block: str) -> int:
    for line in block.replace("\\\n", " ").splitlines():
        if not line.strip() or line.startswith("#"):
            continue
        wanted = _STATUS.search(line)
        status = int(wanted[1]) if wanted else 0
        print(f"$ {line}", flush=True)
        found = subprocess.run(["bash", "-c", line], check=False).returncode  # noqa: S603, S607
        if found != status:
            print(f"exit status {found}, not {status}: {line}", file=sys.stderr)
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
