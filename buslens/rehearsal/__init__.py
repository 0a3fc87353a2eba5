"""A simulated car makes captures; knows nothing of how they are checked.

rehearse      the way in: `rehearse` makes a capture with the truth beside it, `write` writes it
faults        all that can be rehearsed, by name, each with one sentence
scenario      all that can be set about a rehearsal
car           the whole car, one step per millisecond: driver, units, wires, battery
driver        what the driver does
control_unit  drives the lock, tries again, clears the ignition
lock_unit     motor, bolt, contact, position sensor
harness       the five wires and the two fuses
messages      what the units put on the bus
bus           cycle times, jitter, arbitration
recorder      what the recording device makes of it
writers       frames as the text of a log
streams       random numbers that are the same on every machine
"""
