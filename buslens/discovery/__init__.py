"""Captures become proposals: which bits follow what a person did, what a signal may mean, which limits it keeps.

marks         what a person did and when, as they write it
changes       when each bit of each identifier changed, from all frames of a capture
coincidence   how surprising it is that a bit changes when something was done, corrected for the bits tried
candidates    bits that change together as fields, ranked for each action
seek          the way in without definitions: a capture and marks become candidates
found_dbc     candidates as the text of a definitions file
words         the words by which people name signals and their values
roles         which signals of the definitions may mean what to the handshake
limits        measured lengths of time become limits, with the method in words
draft         rules from what a capture shows, each measured by the engine that will judge
toml_text     roles and rules as a person would write them
start         the way in with definitions: a capture becomes a first expectations file
"""
