"""The monitor: the room that judges a run.

Readings come in from the broker, the engine weighs them against the rules, and
status, events and the stored trace go out. Inside, imports run one way:
``contract`` <- ``physics`` <- ``rules`` <- ``run`` <- ``trace`` <- ``service``.
Start reading at :mod:`monitor.contract`, then :mod:`monitor.run.engine`.
"""
