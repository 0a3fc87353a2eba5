"""Findings become causes: what would explain a capture, and which measurement tells the causes apart.

model        what a causes file says
load         a TOML file becomes those records, or all of its problems with their places
signs        findings and timelines become signs: present, absent or undecided
likelihood   how well a cause fits signs and readings, alone or together with another one
ranking      Bayes' rule over causes and pairs of causes; groups that the evidence cannot tell apart
advice       the next measurement, by expected loss of entropy per minute, or the repair
readings     what a person measured, with its unit, against the limits
session      readings kept in a file from one call to the next
diagnosis    all of it, in one call
compare      captures before and after a repair
proof        how much a number of clean handshakes proves
"""
