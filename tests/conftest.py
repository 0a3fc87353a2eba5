"""How properties are tried: as often as a suite of minutes allows, and never failed for being slow on a busy machine.

``pytest --hypothesis-profile=thorough`` tries ten times as much.
"""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("suite", max_examples=50, deadline=None)
settings.register_profile("thorough", max_examples=500, deadline=None)
settings.load_profile("suite")
