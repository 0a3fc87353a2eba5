"""A checked capture as one page that can be moved: a file of its own, without a network."""

from buslens.report.page.page import write_page

__all__ = ["write_page"]
