"""How often a property is tried: few times in the suite, which must end in minutes, often when asked to.

``pytest --hypothesis-profile=thorough`` asks for it. A number written into a test as it stands would be the same in
both. So a test says through `examples` how often it tries something, against 25 for a property that says nothing.

The suite draws the same examples each time: it fails for what was changed, not by chance. A thorough run draws others
each time, and so does ``--hypothesis-profile=anew``, as few as the suite; ``--hypothesis-seed=N`` repeats what it drew.
"""

from __future__ import annotations

from typing import Final

from hypothesis import settings

ORDINARY: Final = 25
SUITE: Final = 7
THOROUGH: Final = 500

settings.register_profile("suite", max_examples=SUITE, deadline=None, derandomize=True)
settings.register_profile("anew", max_examples=SUITE, deadline=None)
settings.register_profile("thorough", max_examples=THOROUGH, deadline=None)


def is_thorough() -> bool:
    """Return whether things are tried that the suite has no time for."""
    return settings.default.max_examples > ORDINARY


def examples(usual: int) -> int:
    """Return how often to try, in the profile in force, what is worth `usual` tries where an ordinary property is 25.

    One try is one in the suite.
    """
    return max(1, usual * settings.default.max_examples // ORDINARY)
