"""The room people look at: the live page, the runs, the acts.

Belongs here: words, pictures and requests; it judges nothing, it shows what the status
says. May import ``monitor.contract``, ``monitor.runtime``, read-only ``monitor.trace``, and
what ``monitor.run`` works out before and after a run; never ``hardware``. Start at :mod:`web.app`.
"""
