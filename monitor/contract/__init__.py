"""What crosses the broker, and nothing else.

Belongs here: the words, units, topics and payloads that the three rooms agree on.
Everyone may import it; it imports nothing of this project. Start at
:mod:`monitor.contract.readings` and follow a value to :mod:`monitor.contract.status`.
"""
