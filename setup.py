"""Put the demonstration's definitions into the wheel; everything else about the build stands in ``pyproject.toml``."""

from __future__ import annotations

import shutil
from pathlib import Path

from setuptools import setup
from setuptools.command.build_py import build_py


class BuildWithDemonstration(build_py):
    """Copies ``signal_defs/`` to where an installed program finds it; in a checkout it is found where it is."""

    def run(self) -> None:
        """Build as usual, and copy."""
        super().run()
        if not self.editable_mode:
            target = Path(self.build_lib) / "buslens" / "signal_defs"
            target.mkdir(parents=True, exist_ok=True)
            for path in Path("signal_defs").iterdir():
                if path.suffix in {".dbc", ".ldf", ".toml", ".md"}:
                    shutil.copyfile(path, target / path.name)


setup(cmdclass={"build_py": BuildWithDemonstration})
