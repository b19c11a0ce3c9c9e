"""The room at the press: sensors in, sound and light out.

Belongs here: reading kernel files, turning them into readings, counting pump strokes,
sounding alarms, and the simulated press that feeds the same readers. May import
``monitor.contract`` and ``monitor.runtime``; never ``web``. Start at
:mod:`hardware.service`.
"""
