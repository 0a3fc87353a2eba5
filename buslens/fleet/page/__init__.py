"""The fleet on one page: which vehicles to call in, why, and what that rests on."""

from buslens.fleet.page.page import write_index
from buslens.fleet.result_folder import INDEX_NAME

__all__ = ["INDEX_NAME", "write_index"]
