"""Trialwright: plans trials of warm-formed, furnace-brazed aluminium sheet and states the safe process window.

The Python API is one call::

    import planner
    campaign = planner.open_campaign("my_campaign")
    campaign.record(); campaign.update(); campaign.window(); campaign.plan()
"""

from planner.cycle import open_campaign

__all__ = ["open_campaign"]
