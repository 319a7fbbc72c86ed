"""Trialwright: plans trials of warm-formed, furnace-brazed aluminium sheet and states the safe process window.

The Python API is one call::

    import planner
    campaign = planner.open_campaign("my_campaign")
    campaign.record(); campaign.update(); campaign.window(); campaign.plan()
"""

__all__ = ["open_campaign"]


def __getattr__(name):
    if name == "open_campaign":                  # looked up late, so that light commands stay light
        from planner.cycle import open_campaign

        return open_campaign
    raise AttributeError(f"module 'planner' has no attribute {name!r}")
