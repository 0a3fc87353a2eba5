"""A judged capture as one page that can be moved: a file of its own, without a network.

columns   the timelines and findings as columns, packed small
page      the file: text for everybody, a plot for those who look around
"""

from buslens.report.page.page import write_page

__all__ = ["write_page"]
