"""The honest measure: scenarios with a known truth through the same kernel, counted by rules that are written down.

Read first: :mod:`counting` (what counts as found, as false, as early), then :mod:`runs` (how readings get here).
"""
