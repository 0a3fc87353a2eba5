"""How long tests wait for what runs beside them."""

from __future__ import annotations

from typing import Final

HANG_S: Final = 600
"""Whoever has not answered after so many seconds hangs; a machine that has much else to do takes no longer."""
