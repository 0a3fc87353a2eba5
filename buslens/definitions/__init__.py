"""A DBC becomes signal layouts, and payloads become values.

model       messages and signals, whatever file they come from
dbc_text    the text of a DBC: its encoding
statements  the text cut into statements
outline     what stands where in it
faults      what is wrong with messages and signals, and what is left out for it
feed        statements in words that the parser takes
narrow      what the parser refuses, narrowed down to statements
dbc         one DBC file becomes messages and problems
overlaps    signals that share bits
j1939       identifiers and values by SAE J1939
cache       what was parsed once is not parsed again
load        one or more files become definitions
index       channel and identifier to message
unpack      payloads to raw values, physical values and labels, in columns
decode      a whole capture to one table
"""
