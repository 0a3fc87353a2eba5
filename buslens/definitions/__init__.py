"""A DBC becomes signal layouts, and payloads become values.

model       messages and signals, whatever file they come from
dbc_text    the text of a DBC: encoding, and where everything stands
faults      what can be wrong with it, each with its place
dbc         one DBC file becomes messages
cache       what was parsed once is not parsed again
load        one or more files become definitions
index       channel and identifier to message
unpack      payloads to raw values, physical values and labels, in columns
decode      a whole capture to one table
"""
