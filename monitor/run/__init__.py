"""A run as a state machine: phases, state, and the engine that steps it.

``step(state, event, rules) -> (state, effects)``: no clock, no task, no file. The service
carries the effects out. May import ``contract``, ``physics`` and ``rules``. Start at
:mod:`monitor.run.engine`.
"""
