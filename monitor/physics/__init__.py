"""Pure physics: SI in, SI out, floats or arrays, no state, no I/O.

Belongs here: published equations with their units, validity and source. It imports
nothing of this project. Start at :mod:`monitor.physics.filtration`.
"""
