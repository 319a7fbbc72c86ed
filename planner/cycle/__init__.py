"""The weekly cycle: what the lab did -> the fit -> the window -> next week's plan.  `open_campaign` is the Python API."""

from planner.cycle.campaign import Campaign, open_campaign

__all__ = ["Campaign", "open_campaign"]
