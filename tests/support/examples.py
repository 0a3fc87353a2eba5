"""How often a property is tried: few times in the suite, which must end in minutes, ten times as often when asked to.

``pytest --hypothesis-profile=thorough`` asks for it. A number written into a test as it stands would be the same in
both, so that every test that says how often it tries something says it through `examples`.
"""

from __future__ import annotations

from typing import Final

from hypothesis import settings

SUITE: Final = 25
"""Examples of a property that does not say how many it needs."""
THOROUGH: Final = 10 * SUITE

settings.register_profile("suite", max_examples=SUITE, deadline=None)
settings.register_profile("thorough", max_examples=THOROUGH, deadline=None)


def is_thorough() -> bool:
    """Return whether things are tried that the suite has no time for."""
    return examples(1) > 1


def examples(usual: int) -> int:
    """Return how often to try something that the suite tries `usual` times, in the profile that is in force."""
    return max(1, usual * settings.default.max_examples // SUITE)
