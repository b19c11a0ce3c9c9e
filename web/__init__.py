"""The room people look at: the live page, the runs, the acts.

Belongs here: words, pictures and requests; it judges nothing, it shows what the status
says. May import ``monitor.contract``, ``monitor.runtime`` and, read-only,
``monitor.trace``; never ``hardware``. Start at :mod:`web.app`.
"""
