"""What follows the replacement of a lock or control unit, in general terms: common practice, no source."""

from typing import Final

TEACHING: Final = (
    "Look up the maker's procedure for this vehicle first; it alone says the order, the equipment and the keys.",
    "Only a person who may do it pairs keys, lock units and control units, after seeing proof of ownership.",
    "Follow the maker's power-down wait before anything near the airbag is opened; support the battery meanwhile.",
    "A lock unit is new, paired or cleared; one that is paired with another vehicle is commonly refused.",
    "Have every key at hand: pairing commonly goes through the keys, and a missing key may be removed.",
    "Afterwards read the pairing state: it must say paired. Lock and unlock with every key, and record it.",
    "Compare that recording with the one from before: it tells how much more has to be tried.",
)
"""Steps, in order."""
