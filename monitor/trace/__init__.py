"""What is kept of a run: the database, the exported package, and its replay.

The only room with SQL; one writer, any number of readers that open read-only. May import
``contract``, ``rules`` and ``run``. Start at :mod:`monitor.trace.store`.
"""
