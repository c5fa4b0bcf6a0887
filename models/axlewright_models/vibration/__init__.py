"""Vibration signal processing, shared by the truck and the office: numpy only, no state, no clock.

Read :mod:`~axlewright_models.vibration.features` first: it turns one window of samples into the
``vib/`` channels, with the help of all the others.
"""
