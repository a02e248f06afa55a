"""The app's screens: each draws one step and hands what the keeper did to :mod:`.state`."""
