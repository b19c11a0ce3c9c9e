"""The rules of a run, pure: what a stream of readings means.

Belongs here: thresholds, freshness, lag correction, flags, alarms, forecasts and
signatures. Nothing here reads a clock, a file or a socket; time arrives as an argument.
May import ``contract`` and ``physics``. Start at :mod:`monitor.rules.thresholds`.
"""
