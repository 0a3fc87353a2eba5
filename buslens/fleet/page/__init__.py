"""The fleet on one page: which vehicles to call in, why, and what that rests on.

page          assembles the sheet and writes it
gather        from the ledger to what is shown
urgency       the ladder on which vehicles stand
entries       the list of vehicles to call in
sections      the other parts
again         captures judged again for their pictures
moments       the worst moment as a small timing diagram
distribution  the delays of a step over the fleet
trends        the delays of a vehicle over the calendar
method        how the numbers are made
drawing       pictures as elements of the page
scale         their scales
calendar      dates
"""

from buslens.fleet.page.page import write_index
from buslens.fleet.results import INDEX_NAME

__all__ = ["INDEX_NAME", "write_index"]
